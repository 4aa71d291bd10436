package port

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Folders where Linux and udev show devices; other in tests.
var (
	devFolder = "/dev"
	runFolder = "/run"
)

// twins finds the serial ports that have the same name as an address: by what adapters say of themselves, and by what udev wrote
// down of the names that its rules gave.
func twins(address string) (ports []string) {
	ports = append(adapterTwins(address), claimants(address)...)
	slices.Sort(ports)
	return slices.Compact(ports)
}

// claimants lists the ports that ask for one link below /dev, if there are several: the system then lets it lead to one of
// them. udev's record of a device has a line "S:" for each (systemd's src/libsystemd/sd-device; no page promises it, so where
// it is otherwise nothing is learnt).
func claimants(address string) (ports []string) {
	link, below := strings.CutPrefix(address, devFolder+"/")
	ttys, err := os.ReadDir(filepath.Join(sysFolder, "class", "tty"))
	if err != nil || !below || !strings.Contains(link, "/") { // links stand in folders; a device's own name is its own
		return nil
	}
	for _, tty := range ttys {
		number, err := os.ReadFile(filepath.Join(sysFolder, "class", "tty", tty.Name(), "dev"))
		if err != nil {
			continue
		}
		record, err := os.ReadFile(filepath.Join(runFolder, "udev", "data", "c"+strings.TrimSpace(string(number))))
		if err == nil && slices.Contains(strings.Split(string(record), "\n"), "S:"+link) {
			ports = append(ports, tty.Name())
		}
	}
	if len(ports) < 2 {
		return nil
	}
	return ports
}

// adapterTwins finds the ports that have the same name as an address, which is a name that an adapter carries with it. Two
// adapters whose number their maker did not make their own get one name, and the system lets it lead to either. Such names
// are the links below /dev/serial/by-id (udev's 60-serial.rules) and the adapter- ones of our own rules below /dev/balance;
// no other name says what it goes by.
func adapterTwins(address string) (ports []string) {
	if !byAdapter(address) {
		return nil
	}
	ours, err := filepath.EvalSymlinks(address)
	if err != nil {
		return nil
	}
	return twinsOf(filepath.Base(ours))
}

// byAdapter says whether an address is a name that an adapter carries with it.
func byAdapter(address string) bool {
	folder, name := filepath.Split(address)
	return filepath.Base(folder) == "by-id" || filepath.Base(folder) == "balance" && strings.HasPrefix(name, "adapter-")
}

// twinsOf lists the ports of other adapters that have the same name as that of a port, and the port itself; none if there are
// no others.
func twinsOf(tty string) (ports []string) {
	device := adapterOf(tty)
	all, err := os.ReadDir(filepath.Join(sysFolder, "class", "tty"))
	if err != nil || device == "" {
		return nil
	}
	for _, tty := range all {
		if other := adapterOf(tty.Name()); other != "" && other != device && sameName(device, other) {
			ports = append(ports, tty.Name())
		}
	}
	if len(ports) > 0 {
		ports = append(ports, tty)
		slices.Sort(ports)
	}
	return ports
}

// adapterOf gives the folder of the USB device that a port belongs to, or "".
func adapterOf(tty string) string {
	place, err := filepath.EvalSymlinks(filepath.Join(sysFolder, "class", "tty", tty))
	if err != nil {
		return ""
	}
	devices := usbDevices(place)
	if len(devices) == 0 {
		return ""
	}
	return devices[len(devices)-1]
}

// sameName says whether two USB devices are told apart by nothing that goes with them: Documentation/ABI/testing/sysfs-bus-usb
// and -stable of the kernel name the files. A device without a number has no file serial.
func sameName(a, b string) bool {
	for _, file := range []string{"idVendor", "idProduct", "serial"} {
		x, _ := os.ReadFile(filepath.Join(a, file))
		y, _ := os.ReadFile(filepath.Join(b, file))
		if string(x) != string(y) {
			return false
		}
	}
	return true
}

// ambiguous is the trouble of an address that twins share, or nil.
func (c Config) ambiguous() *Trouble {
	ports := twins(c.Address)
	if len(ports) == 0 {
		return nil
	}
	remedy := "Give the balance's port the name of the socket that its adapter is in"
	if names := socketNames(c.Address, ports); len(names) > 0 {
		remedy += ": " + strings.Join(names, " or ")
	}
	return &Trouble{Code: CodeRefused, Err: fmt.Errorf("%s have one name", strings.Join(ports, " and ")),
		Sentence: fmt.Sprintf("%d serial ports have the name %s, and weighpost does not guess which of them is the balance's.", len(ports), c.Address),
		Remedy:   remedy + "; or leave only one of them plugged in."}
}

// socketNames are the names by socket of some ports, beside an address.
func socketNames(address string, ports []string) (names []string) {
	folder := filepath.Dir(address)
	links, _ := filepath.Glob(filepath.Join(filepath.Dir(folder), "by-path", "*"))
	if filepath.Base(folder) == "balance" {
		links, _ = filepath.Glob(filepath.Join(folder, "socket-*"))
	}
	for _, link := range links {
		if port, err := filepath.EvalSymlinks(link); err == nil && slices.Contains(ports, filepath.Base(port)) {
			names = append(names, link)
		}
	}
	return names
}
