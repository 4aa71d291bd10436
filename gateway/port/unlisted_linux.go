package port

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Unlisted says, one sentence each, what is plugged in that may be a serial adapter and yet gives no port: things on USB whose
// kind is a maker's own, as adapters mostly are, or a modem's, and which no driver of the system has taken. Some are something
// else: a camera, a fingerprint reader.
func Unlisted() (sentences []string) {
	devices, _ := os.ReadDir(filepath.Join(sysFolder, "bus", "usb", "devices"))
	for _, d := range devices {
		folder := filepath.Join(sysFolder, "bus", "usb", "devices", d.Name())
		class, ok := sysText(folder, "bInterfaceClass") // of an interface; a device has none
		if !ok || class != "ff" && class != "02" {      // vendor-specific; communications (USB-IF class codes)
			continue
		}
		place, err := filepath.EvalSymlinks(folder)
		if err != nil {
			continue
		}
		vendor, _ := sysText(filepath.Dir(place), "idVendor")
		product, _ := sysText(filepath.Dir(place), "idProduct")
		what := fmt.Sprintf("The USB device %s:%s in socket %s", vendor, product, plain(filepath.Base(filepath.Dir(place))))
		switch driver, err := filepath.EvalSymlinks(filepath.Join(folder, "driver")); {
		case err != nil:
			sentences = append(sentences, what+" may be an adapter, and no driver of this system knows it: its kernel module may not be installed.")
		case filepath.Base(driver) == "usbfs": // the driver's place is taken by a program (libusb)
			sentences = append(sentences, what+" may be an adapter, and a program has taken it away from the system's driver"+
				takers()+". The udev rules that come with weighpost prevent that: weighpost service install --udev.")
		}
	}
	return slices.Compact(sentences)
}

// Prober is a service of the operating system that is known to take or try serial adapters.
type Prober struct {
	Program string `json:"program"`
	PID     int    `json:"process"`
	Does    string `json:"does"` // what it does to an adapter, in words
}

// probers are programs by the name of their process: at most 15 bytes of it, as the kernel keeps them.
var probers = map[string]string{
	"ModemManager": "tries each new port for a modem, by sending commands to it",
	"brltty":       "takes adapters whose chip is one that braille displays have",
	"gpsd":         "tries ports for a satellite receiver",
	"agetty":       "prints a log-in prompt to a port, and takes what the balance prints for names and passwords",
	"getty":        "prints a log-in prompt to a port, and takes what the balance prints for names and passwords",
}

// Probers lists the services of this system that run and may disturb serial ports. Whether one has touched a certain port they
// do not tell.
func Probers() (all []Prober) {
	names, _ := os.ReadDir(procFolder)
	for _, entry := range names {
		pid, name := 0, ""
		if _, err := fmt.Sscan(entry.Name(), &pid); err == nil {
			name, _ = sysText(filepath.Join(procFolder, entry.Name()), "comm")
		}
		if does := probers[name]; does != "" {
			all = append(all, Prober{name, pid, does})
		}
	}
	return all
}

// takers names the programs that may have taken an adapter.
func takers() string {
	var names []string
	for _, p := range Probers() {
		if !strings.HasSuffix(p.Program, "getty") {
			names = append(names, fmt.Sprintf("%s (process %d)", p.Program, p.PID))
		}
	}
	if len(names) == 0 {
		return ""
	}
	return "; it may be " + strings.Join(names, " or ")
}

// Spared says whether udev keeps the service that tries ports for modems away from a port: the mark that our rules make, in
// udev's own record of the device. known is false where there is no such record.
func Spared(device string) (spared, known bool) {
	real, err := filepath.EvalSymlinks(device)
	if err != nil {
		return false, false
	}
	number, ok := sysText(filepath.Join(sysFolder, "class", "tty", filepath.Base(real)), "dev")
	if !ok {
		return false, false
	}
	b, err := readSome(filepath.Join(runFolder, "udev", "data", "c"+number), 64<<10)
	if err != nil {
		return false, false
	}
	return strings.Contains(string(b), "E:ID_MM_PORT_IGNORE=1\n") || strings.Contains(string(b), "E:ID_MM_DEVICE_IGNORE=1\n"), true
}
