package port

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// usbTree lays out /sys and /dev as Linux and udev do for adapters, one in each socket of the computer.
type usbTree struct {
	t    *testing.T
	root string
}

func newUSBTree(t *testing.T) *usbTree {
	t.Helper()
	u := &usbTree{t, t.TempDir()}
	was := sysFolder
	sysFolder = filepath.Join(u.root, "sys")
	t.Cleanup(func() { sysFolder = was })
	return u
}

func (u *usbTree) file(name, content string) string {
	u.t.Helper()
	name = filepath.Join(u.root, name)
	err := os.MkdirAll(filepath.Dir(name), 0o755)
	if err == nil {
		err = os.WriteFile(name, []byte(content), 0o600)
	}
	if err != nil {
		u.t.Fatal(err)
	}
	return name
}

func (u *usbTree) link(to, name string) string {
	u.t.Helper()
	name = filepath.Join(u.root, name)
	err := os.MkdirAll(filepath.Dir(name), 0o755)
	_ = os.Remove(name) // as udev does: the later one gets the name
	if err == nil {
		err = os.Symlink(to, name)
	}
	if err != nil {
		u.t.Skip("no links here: ", err)
	}
	return name
}

// plug gives the port of an adapter all its names.
func (u *usbTree) plug(tty, socket, serial string) {
	u.t.Helper()
	device := "sys/devices/pci0000:00/usb1/" + socket
	u.file(device+"/idVendor", "0403\n")
	u.file(device+"/idProduct", "6001\n")
	if serial != "" {
		u.file(device+"/serial", serial+"\n")
	}
	place := filepath.Dir(u.file(device+"/"+socket+":1.0/"+tty+"/tty/"+tty+"/dev", "188:"+strings.TrimPrefix(tty, "ttyUSB")+"\n"))
	u.link(place, "sys/class/tty/"+tty)
	u.link(filepath.Join(u.root, device, socket+":1.0", tty), device+"/"+socket+":1.0/"+tty+"/tty/"+tty+"/device")
	port := u.file("dev/"+tty, "")
	u.link(port, "dev/serial/by-id/usb-adapter_"+serial+"-if00-port0")
	u.link(port, "dev/serial/by-path/pci-usb-"+socket+":1.0-port0")
	u.link(port, "dev/balance/adapter-"+serial+"-0")
	u.link(port, "dev/balance/socket-"+socket+"-0")
}

// Two adapters that answer to one name are refused, with the names of their sockets instead.
func TestANameThatTwoAdaptersHaveIsRefused(t *testing.T) {
	u := newUSBTree(t)
	u.plug("ttyUSB0", "1-1", "A50285")
	u.plug("ttyUSB1", "1-2", "A50286")
	byID, short := filepath.Join(u.root, "dev/serial/by-id/usb-adapter_A50285-if00-port0"), filepath.Join(u.root, "dev/balance/adapter-A50285-0")
	for _, address := range []string{byID, short} {
		if got := (Config{Address: address}).ambiguous(); got != nil {
			t.Errorf("%s with adapters that differ: %v", address, got)
		}
	}
	u.plug("ttyUSB2", "1-3", "A50285")
	for address, sockets := range map[string][2]string{byID: {"by-path/pci-usb-1-1:", "by-path/pci-usb-1-3:"}, short: {"balance/socket-1-1-0", "balance/socket-1-3-0"}} {
		_, err := (Config{Address: address, Speed: 9600}).Open(context.Background())
		var got *Trouble
		if !errors.As(err, &got) || !strings.Contains(got.Sentence, "does not guess") || !strings.Contains(got.Remedy, sockets[0]) ||
			!strings.Contains(got.Remedy, sockets[1]) || strings.Contains(got.Remedy, "1-2") || got.Code != CodeRefused {
			t.Errorf("%s: %+v", address, err)
		}
	}
	for _, name := range []string{"dev/serial/by-path/pci-usb-1-3:1.0-port0", "dev/balance/socket-1-1-0", "dev/ttyUSB0"} {
		if got := (Config{Address: filepath.Join(u.root, name)}).ambiguous(); got != nil {
			t.Errorf("%s says which one it is, and is refused: %v", name, got)
		}
	}
}

// Adapters without a number of their own have one name as soon as there are two.
func TestAdaptersWithoutANumberHaveOneName(t *testing.T) {
	u := newUSBTree(t)
	u.plug("ttyUSB0", "1-1", "")
	address := filepath.Join(u.root, "dev/serial/by-id/usb-adapter_-if00-port0")
	if got := (Config{Address: address}).ambiguous(); got != nil {
		t.Errorf("alone: %v", got)
	}
	u.plug("ttyUSB1", "1-4.2", "")
	if got := (Config{Address: address}).ambiguous(); got == nil {
		t.Error("two without a number are not told")
	}
}

// A name that rules give to two ports is refused, also where it is no adapter's own and both are of one adapter.
func TestANameThatTwoPortsAskForIsRefused(t *testing.T) {
	u := newUSBTree(t)
	wasDev, wasRun := devFolder, runFolder
	devFolder, runFolder = filepath.Join(u.root, "dev"), filepath.Join(u.root, "run")
	t.Cleanup(func() { devFolder, runFolder = wasDev, wasRun })
	u.plug("ttyUSB0", "1-1", "A50285")
	u.plug("ttyUSB1", "1-2", "A50286")
	shared := u.link(filepath.Join(devFolder, "ttyUSB1"), "dev/balance/b-12")
	u.file("run/udev/data/c188:0", "I:1\nS:balance/b-12\nS:balance/b-121\n")
	u.file("run/udev/data/c188:1", "I:2\nS:balance/b-1\nE:S:balance/b-12\n")
	if got := (Config{Address: shared}).ambiguous(); got != nil {
		t.Errorf("one port has the name: %v", got)
	}
	u.file("run/udev/data/c188:1", "I:2\nS:balance/b-1\nS:balance/b-12\n")
	_, err := Config{Address: shared, Speed: 9600}.Open(context.Background())
	var got *Trouble
	if !errors.As(err, &got) || got.Code != CodeRefused || !strings.Contains(got.Sentence, "2 serial ports have the name "+shared) || !strings.Contains(got.Remedy, "socket-1-2-0") {
		t.Errorf("%+v", err)
	}
	for _, name := range []string{"dev/balance/socket-1-2-0", "dev/ttyUSB0"} {
		if got := (Config{Address: filepath.Join(u.root, name)}).ambiguous(); got != nil {
			t.Errorf("%s has one port, and is refused: %v", name, got)
		}
	}
}
