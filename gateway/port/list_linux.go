package port

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// procFolder is where the system shows its processes; other in tests.
var procFolder = "/proc"

// list walks /sys/class/tty.
func list(ctx context.Context) ([]Found, error) {
	ttys, err := os.ReadDir(filepath.Join(sysFolder, "class", "tty"))
	if err != nil {
		return nil, fmt.Errorf("the system does not list its serial ports: %w", err)
	}
	var all []Found
	for _, tty := range ttys {
		if f, ok := portOf(tty.Name()); ok {
			all = append(all, f)
		}
	}
	names := stableNames()
	all = append(all, pseudoTerminals(names, all)...)
	for i := range all {
		all[i].name(names[all[i].Device])
	}
	showLines(all)
	return all, findHolders(ctx, all)
}

// portOf describes a terminal of the system, if it is a serial port that is really there.
func portOf(tty string) (f Found, ok bool) {
	class := filepath.Join(sysFolder, "class", "tty", tty)
	place, err := filepath.EvalSymlinks(class)
	if err != nil {
		return f, false
	}
	device, err := filepath.EvalSymlinks(filepath.Join(class, "device"))
	if err != nil { // consoles, virtual terminals: nothing is behind them
		return f, false
	}
	f = Found{Device: filepath.Join(devFolder, tty), Driver: plain(driverOf(device))}
	usb := usbDevices(place)
	switch {
	case len(usb) > 0:
		f.describeUSB(tty, device, usb[len(usb)-1])
	case strings.HasPrefix(tty, "rfcomm"):
		f.Kind, f.Description = KindBluetooth, "serial channel over Bluetooth"
	default:
		chip, known := sysText(class, "type")
		if known && chip == "0" || !known && f.Driver == "serial8250" {
			return f, false // a place in the driver's table: most kernels keep 4 or 32, with no port behind
		}
		f.describeUART(class, device, chip)
	}
	return f, true
}

// describeUSB tells of an adapter. The files are those of Documentation/ABI/stable/sysfs-bus-usb and testing/sysfs-bus-usb of
// the kernel.
func (f *Found) describeUSB(tty, device, adapter string) {
	f.Kind = KindUSB
	f.Vendor, _ = sysText(adapter, "idVendor")
	f.Product, _ = sysText(adapter, "idProduct")
	f.Serial, _ = sysText(adapter, "serial")
	f.Twins = len(twinsOf(tty)) > 0
	f.Description = "USB adapter in socket " + plain(filepath.Base(adapter))
	if _, after, ok := strings.Cut(interfaceOf(device), ":"); ok && countPorts(adapter) > 1 {
		f.Description = fmt.Sprintf("one of the %d ports of a %s, interface %s", countPorts(adapter), f.Description, plain(after))
	}
	if f.Serial == "" {
		f.Note = "This adapter has no number of its own: a second one of its kind could not be told from it by name."
	}
}

// interfaceOf is the folder of the USB interface that a device belongs to, "1-1:1.0", or "".
func interfaceOf(device string) string {
	for at := device; at != filepath.Dir(at); at = filepath.Dir(at) {
		if name := filepath.Base(at); strings.Contains(name, ":") && usbDevice.MatchString(strings.SplitN(name, ":", 2)[0]) {
			return name
		}
	}
	return ""
}

// countPorts is how many serial ports an adapter has.
func countPorts(adapter string) (n int) {
	all, _ := os.ReadDir(filepath.Join(sysFolder, "class", "tty"))
	for _, tty := range all {
		if adapterOf(tty.Name()) == adapter {
			n++
		}
	}
	return n
}

// chips are names of the kinds of UART that ports of a computer mostly have (include/uapi/linux/serial.h of the kernel).
var chips = map[string]string{"1": "8250", "2": "16450", "3": "16550", "4": "16550A"}

// describeUART tells of a port without USB.
func (f *Found) describeUART(class, device, chip string) {
	f.Kind, f.Description = KindOnBoard, "serial port of the computer"
	if f.Driver == "serial" && onBus(device, "pci") { // what the kernel calls its driver for serial cards
		f.Kind, f.Description = KindCard, "serial card in slot "+plain(filepath.Base(device))
	}
	if name := chips[chip]; name != "" {
		f.Description += ", UART " + name
	}
	if at, ok := sysText(class, "port"); ok && at != "0x0" && at != "0x00000000" {
		f.Description += " at I/O address " + at
	}
}

// driverOf gives the driver of a device or of the next one above it that is no mere layer.
func driverOf(device string) string {
	for at, steps := device, 0; at != filepath.Dir(at) && steps < 6; at, steps = filepath.Dir(at), steps+1 {
		driver, err := filepath.EvalSymlinks(filepath.Join(at, "driver"))
		if name := filepath.Base(driver); err == nil && name != "port" && name != "ctrl" { // layers of serial-base, since Linux 6.5
			return name
		}
	}
	return ""
}

// onBus says whether a device hangs on a bus, such as pci.
func onBus(device, bus string) bool {
	subsystem, err := filepath.EvalSymlinks(filepath.Join(device, "subsystem"))
	return err == nil && filepath.Base(subsystem) == bus
}

// sysText reads a short text file of /sys.
func sysText(folder, name string) (text string, ok bool) {
	f, err := os.Open(filepath.Join(folder, name))
	if err != nil {
		return "", false
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, 4096)) // a page, which is the most that /sys gives
	return plain(string(b)), err == nil
}

// showLines tells the modem lines of ports whose driver shows them without being opened: /proc/tty/driver/serial of the 8250
// driver, which only root may read.
func showLines(all []Found) {
	b, err := readSome(filepath.Join(procFolder, "tty", "driver", "serial"), 64<<10)
	if err != nil {
		return
	}
	for line := range strings.Lines(string(b)) {
		number, rest, _ := strings.Cut(line, ":")
		if _, err := strconv.Atoi(number); err != nil || !strings.Contains(rest, " tx:") {
			continue
		}
		for i := range all {
			if all[i].Device == filepath.Join(devFolder, "ttyS"+number) {
				all[i].Lines = linesIn(rest)
			}
		}
	}
}

// linesIn reads what uart_line_info of the kernel's serial_core.c writes: "uart:16550A port:000003F8 irq:4 tx:0 rx:0 RTS|DTR|CD",
// without the last field where no line is on.
func linesIn(info string) *Lines {
	fields := strings.Fields(info)
	var l Lines
	for name := range strings.SplitSeq(fields[len(fields)-1], "|") {
		switch name {
		case "DTR":
			l.DTR = true
		case "RTS":
			l.RTS = true
		case "CTS":
			l.CTS = true
		case "DSR":
			l.DSR = true
		case "CD":
			l.DCD = true
		case "RI":
			l.RI = true
		}
	}
	return &l
}

// readSome reads a file up to a length; what is longer is cut.
func readSome(name string, most int64) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, most))
}
