package port

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"weighpost/gateway/needs"
)

// newComputer is a USB tree with the other folders that List looks into, all empty.
func newComputer(t *testing.T) *usbTree {
	u := newUSBTree(t)
	for folder, name := range map[*string]string{&devFolder: "dev", &procFolder: "proc", &runFolder: "run"} {
		was := *folder
		*folder = filepath.Join(u.root, name)
		t.Cleanup(func() { *folder = was })
		if err := os.MkdirAll(*folder, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	u.dir("sys/class/tty")
	u.process(1, "init", 0)
	u.link(initialSpace, "proc/self/ns/pid")
	return u
}

func (u *usbTree) dir(name string) {
	u.t.Helper()
	if err := os.MkdirAll(filepath.Join(u.root, name), 0o755); err != nil {
		u.t.Fatal(err)
	}
}

// process puts a process into the tree, with a controlling terminal, which has files open.
func (u *usbTree) process(pid int, name string, terminal int, open ...string) {
	at := fmt.Sprintf("proc/%d", pid)
	u.file(at+"/comm", name+"\n")
	u.file(at+"/stat", fmt.Sprintf("%d (a) b) c) S 1 1 1 %d -1 4194560 0\n", pid, terminal))
	u.dir(at + "/fd")
	for i, file := range open {
		u.link(file, fmt.Sprintf("%s/fd/%d", at, i))
	}
}

// uart puts a port of the computer into the tree; the kind is what the driver takes its chip for, 0 for none.
func (u *usbTree) uart(n int, kind, device string) {
	place := fmt.Sprintf("%s/tty/ttyS%d", device, n)
	u.file(place+"/type", kind+"\n")
	u.file(place+"/port", "0x3F8\n")
	u.file(place+"/dev", fmt.Sprintf("4:%d\n", 64+n))
	u.link(filepath.Join(u.root, device), place+"/device")
	u.link(filepath.Join(u.root, place), fmt.Sprintf("sys/class/tty/ttyS%d", n))
	u.file(fmt.Sprintf("dev/ttyS%d", n), "")
}

func (u *usbTree) driver(device, name string) {
	u.dir("sys/bus/drivers/" + name)
	u.link(filepath.Join(u.root, "sys/bus/drivers", name), device+"/driver")
}

func listed(t *testing.T) []Found {
	t.Helper()
	all, err := List(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range all {
		line, _ := json.Marshal(f)
		t.Logf("%s", line)
	}
	return all
}

func (u *usbTree) found(t *testing.T, device string) Found {
	t.Helper()
	for _, f := range listed(t) {
		if f.Device == filepath.Join(u.root, device) {
			return f
		}
	}
	t.Fatalf("%s is not listed", device)
	return Found{}
}

// What is no serial port, or only a place in a driver's table, is not listed.
func TestOnlyWhatIsThereIsListed(t *testing.T) {
	u := newComputer(t)
	if got := listed(t); len(got) != 0 {
		t.Errorf("a computer without ports lists %v", got)
	}
	u.file("sys/devices/virtual/tty/tty1/dev", "4:1\n") // a virtual terminal has no device
	u.link(filepath.Join(u.root, "sys/devices/virtual/tty/tty1"), "sys/class/tty/tty1")
	u.uart(0, "4", "sys/devices/pnp0/00:05")
	u.driver("sys/devices/pnp0/00:05", "serial")
	for n := 1; n < 32; n++ {
		u.uart(n, "0", "sys/devices/platform/serial8250")
	}
	u.driver("sys/devices/platform/serial8250", "serial8250")
	for i, socket := range []string{"1-10", "1-9", "1-2"} {
		u.plug(fmt.Sprintf("ttyUSB%d", []int{10, 9, 0}[i]), socket, "A5028"+socket)
	}
	var got []string
	for _, f := range listed(t) {
		got = append(got, f.Kind+" "+filepath.Base(f.Device))
	}
	if want := []string{"usb ttyUSB0", "usb ttyUSB9", "usb ttyUSB10", "on-board ttyS0"}; !slices.Equal(got, want) {
		t.Errorf("listed are %q, want %q", got, want)
	}
	f := u.found(t, "dev/ttyS0")
	if f.Address != f.Device || f.Driver != "serial" || f.Description != "serial port of the computer, UART 16550A at I/O address 0x3F8" || f.Lines != nil {
		t.Errorf("the computer's own port: %+v", f)
	}
}

// The name to configure is the one that stays longest, and none that leads to another adapter as well.
func TestTheNameThatStays(t *testing.T) {
	u := newComputer(t)
	u.plug("ttyUSB0", "1-1", "A50285")
	at := func(name string) string { return filepath.Join(u.root, "dev", name) }
	f := u.found(t, "dev/ttyUSB0")
	wantNames := []string{at("serial/by-id/usb-adapter_A50285-if00-port0"), at("balance/socket-1-1-0"), at("serial/by-path/pci-usb-1-1:1.0-port0")}
	if f.Address != at("balance/adapter-A50285-0") || !slices.Equal(f.Names, wantNames) || f.Vendor != "0403" || f.Product != "6001" ||
		f.Serial != "A50285" || f.Twins || f.Description != "USB adapter in socket 1-1" || f.Note != "" || f.Kind != KindUSB {
		t.Errorf("alone: %+v", f)
	}
	own := u.link(at("ttyUSB0"), "dev/balance/b-12")
	if f := u.found(t, "dev/ttyUSB0"); f.Address != own {
		t.Errorf("somebody's own name is not preferred: %s", f.Address)
	}
	u.file("run/udev/data/c188:0", "S:balance/b-12\n")
	u.file("run/udev/data/c188:7", "S:balance/b-12\n") // of a port that is there, too
	u.file("sys/class/tty/ttyX7/dev", "188:7\n")
	if f := u.found(t, "dev/ttyUSB0"); f.Address == own || slices.Contains(f.Names, own) {
		t.Errorf("a name that two ports ask for is listed: %+v", f)
	}
	for _, name := range []string{own, at("balance/adapter-A50285-0")} {
		_ = os.Remove(name)
	}
	_ = os.Remove(at("balance/socket-1-1-0"))
	if f := u.found(t, "dev/ttyUSB0"); f.Address != at("serial/by-id/usb-adapter_A50285-if00-port0") {
		t.Errorf("without our rules: %s", f.Address)
	}
	u.plug("ttyUSB1", "1-2", "A50285")
	for device, want := range map[string]string{"dev/ttyUSB0": "serial/by-path/pci-usb-1-1:1.0-port0", "dev/ttyUSB1": "balance/socket-1-2-0"} {
		f := u.found(t, device)
		if !f.Twins || f.Address != at(want) {
			t.Errorf("%s has a twin: %+v", device, f)
		}
		if err := (Config{Address: f.Address, Speed: 9600}).ambiguous(); err != nil {
			t.Errorf("the address that is listed is refused: %v", err)
		}
	}
}

// Without names by socket the device itself is named, with a warning. Without a number that is said, too.
func TestNoNameThatHolds(t *testing.T) {
	u := newComputer(t)
	u.plug("ttyUSB0", "1-1", "")
	if f := u.found(t, "dev/ttyUSB0"); !strings.Contains(f.Note, "no number of its own") || f.Twins {
		t.Errorf("no number: %+v", f)
	}
	u.plug("ttyUSB1", "1-2", "")
	for _, folder := range []string{"dev/serial/by-path", "dev/balance"} {
		if err := os.RemoveAll(filepath.Join(u.root, folder)); err != nil {
			t.Fatal(err)
		}
	}
	f := u.found(t, "dev/ttyUSB1")
	if f.Address != f.Device || !strings.Contains(f.Note, "leave only one") || !f.Twins {
		t.Errorf("twins without names by socket: %+v", f)
	}
	if err := os.Remove(f.Device); err != nil {
		t.Fatal(err)
	}
	if f := u.found(t, "dev/ttyUSB1"); !strings.Contains(f.Note, "no file") {
		t.Errorf("a port without a file: %+v", f)
	}
}

// What a device says of itself cannot do anything to a terminal, and has an end.
func TestADeviceThatLies(t *testing.T) {
	u := newComputer(t)
	u.plug("ttyUSB0", "1-1", "A50285")
	u.file("sys/devices/pci0000:00/usb1/1-1/serial", "\x1b[2J\u202e\x00\xff"+strings.Repeat("9", 9000))
	f := u.found(t, "dev/ttyUSB0")
	if strings.ContainsAny(f.Serial, "\x1b\x00\u202e") || len(f.Serial) > 4*mostText || !strings.HasPrefix(f.Serial, "?[2J???999") {
		t.Errorf("the number is %q", f.Serial)
	}
}

// An adapter with several ports says which is which.
func TestAnAdapterWithTwoPorts(t *testing.T) {
	u := newComputer(t)
	u.plug("ttyUSB0", "1-1", "A50285")
	second := "sys/devices/pci0000:00/usb1/1-1/1-1:1.1/ttyUSB1"
	u.file(second+"/tty/ttyUSB1/dev", "188:1\n")
	u.link(filepath.Join(u.root, second), second+"/tty/ttyUSB1/device")
	u.link(filepath.Join(u.root, second, "tty/ttyUSB1"), "sys/class/tty/ttyUSB1")
	for device, want := range map[string]string{"dev/ttyUSB0": "interface 1.0", "dev/ttyUSB1": "interface 1.1"} {
		if f := u.found(t, device); !strings.Contains(f.Description, "one of the 2 ports") || !strings.HasSuffix(f.Description, want) || f.Twins {
			t.Errorf("%s: %+v", device, f)
		}
	}
}

// The 8250 driver shows the lines of its ports to root without opening them.
func TestLinesThatTheDriverShows(t *testing.T) {
	u := newComputer(t)
	for n := range 3 {
		u.uart(n, "4", fmt.Sprintf("sys/devices/pnp0/00:0%d", n))
	}
	u.file("proc/tty/driver/serial", `serinfo:1.0 driver revision:
0: uart:16550A port:000003F8 irq:4 tx:0 rx:0 RTS|CTS|DTR|DSR|CD|RI
1: uart:16550A port:000002F8 irq:3 tx:0 rx:22 brk:1
2: uart:16550A port:000002F8 irq:3
`)
	if f := u.found(t, "dev/ttyS0"); f.Lines == nil || *f.Lines != (Lines{true, true, true, true, true, true}) {
		t.Errorf("all on: %+v", f.Lines)
	}
	if f := u.found(t, "dev/ttyS1"); f.Lines == nil || *f.Lines != (Lines{}) {
		t.Errorf("all off: %+v", f.Lines)
	}
	if f := u.found(t, "dev/ttyS2"); f.Lines != nil {
		t.Errorf("not shown: %+v", f.Lines)
	}
}

// Each of the traces tells who has a port.
func TestWhoHoldsAPort(t *testing.T) {
	u := newComputer(t)
	dev := func(n int) string { return filepath.Join(u.root, fmt.Sprintf("dev/ttyS%d", n)) }
	for n := range 8 {
		u.uart(n, "4", fmt.Sprintf("sys/devices/pnp0/00:0%d", n))
	}
	u.process(100, "cat\x1b[2J", 0, "/dev/null", dev(1), dev(1)+" (deleted)")
	u.process(200, "agetty", 4<<8|66) // ttyS2 is 4:66
	u.process(300, "other", 0, dev(6)+" (deleted)")
	u.uart(300, "4", "sys/devices/pnp0/00:09") // 4:364
	u.process(301, "agetty", 1<<20|4<<8|364-256)
	u.plug("ttyUSB3", "1-1", "A50285")
	u.process(302, "bash", 188<<8|3)
	if f := u.found(t, "dev/ttyUSB3"); f.Holder != "bash (process 302)" {
		t.Errorf("a port with a large major number is held by %q", f.Holder)
	}
	if f := u.found(t, "dev/ttyS300"); f.Holder != "agetty (process 301)" {
		t.Errorf("a port with a large number is held by %q", f.Holder)
	}
	u.file("run/lock/LCK..ttyS3", "       100\n")
	u.file("run/lock/LCK..ttyS6", "     99999\n") // left behind
	var st unix.Stat_t
	if err := unix.Stat(dev(4), &st); err != nil {
		t.Fatal(err)
	}
	where := fmt.Sprintf("%02x:%02x:%d", unix.Major(uint64(st.Dev)), unix.Minor(uint64(st.Dev)), st.Ino)
	u.file("proc/locks", "1: FLOCK  ADVISORY  WRITE 200 "+where+" 0 EOF\n1: -> FLOCK  ADVISORY  WRITE 100 "+where+" 0 EOF\n2: POSIX\n")
	u.file("sys/class/tty/console/active", "tty0 ttyS5\n")
	for pid := range 6 {
		u.process(1000+pid, "many", 0, dev(7))
	}
	for n, want := range []string{"", "cat?[2J (process 100)", "agetty (process 200)", "cat?[2J (process 100)", "agetty (process 200)", "the system's own console", "",
		"many (process 1000), many (process 1001), many (process 1002), many (process 1003), 2 more"} {
		if f := u.found(t, fmt.Sprintf("dev/ttyS%d", n)); f.Holder != want || f.HolderUnsure {
			t.Errorf("ttyS%d is held by %q (unsure: %v), want %q", n, f.Holder, f.HolderUnsure, want)
		}
	}
	u.link("pid:[4026532999]", "proc/self/ns/pid") // a container
	if f := u.found(t, "dev/ttyS0"); !f.HolderUnsure {
		t.Error("in a container nobody can be sure that nobody has the port")
	}
	if f := u.found(t, "dev/ttyS1"); f.HolderUnsure {
		t.Error("it is known who has the port")
	}
}

// With real processes and a real lock: a pseudo-terminal that has a name, held by this test, and nobody else.
func TestWeSeeOurselves(t *testing.T) {
	u := newComputer(t)
	procFolder = "/proc"
	_, slave := newPTY(t)
	u.link(slave, "dev/balance/b-12")
	holder := func() string {
		t.Helper()
		all := listed(t)
		if len(all) != 1 || all[0].Kind != KindPseudo || all[0].Device != slave || all[0].Address != filepath.Join(u.root, "dev/balance/b-12") {
			t.Fatalf("listed are %+v", all)
		}
		return all[0].Holder
	}
	if got := holder(); got != "" {
		t.Errorf("held by %q before anybody opened it", got)
	}
	forBothDrivers(t, func(t *testing.T, driver string) {
		p := opened(t, Config{Address: slave, Driver: driver})
		if got := holder(); !strings.Contains(got, fmt.Sprintf("(process %d)", os.Getpid())) {
			t.Errorf("held by %q", got)
		}
		p.Close()
		if got := holder(); got != "" {
			t.Errorf("held by %q after it was closed", got)
		}
	})
}

// Without root the lock of another user's weighpost is seen all the same, and that more may be hidden is said.
func TestWithoutRootTheLockIsSeen(t *testing.T) {
	needs.Root(t, "to run a program as another user")
	root, err := os.MkdirTemp("/tmp", "weighpost-list-")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(root)
	u := newUSBTree(t)
	u.root = root
	if err := os.Chmod(root, 0o755); err != nil {
		t.Fatal(err)
	}
	u.dir("sys/class/tty")
	_, slave := newPTY(t)
	_, free := newPTY(t)
	u.link(slave, "dev/balance/held")
	u.link(free, "dev/balance/free")
	opened(t, Config{Address: slave})
	self := filepath.Join(root, "test")
	if b, err := os.ReadFile("/proc/self/exe"); err != nil || os.WriteFile(self, b, 0o755) != nil {
		t.Fatal("the test cannot be copied: ", err)
	}
	cmd := exec.CommandContext(t.Context(), self)
	cmd.Env, cmd.Dir = append(os.Environ(), listEnv+"="+root), "/"
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	var all []Found
	if err := json.Unmarshal(out, &all); err != nil || len(all) != 2 {
		t.Fatalf("%v: %s", err, out)
	}
	for _, f := range all {
		held := strings.HasSuffix(f.Address, "held")
		if held && (!strings.Contains(f.Holder, fmt.Sprintf("(process %d)", os.Getpid())) || f.HolderUnsure) || !held && (f.Holder != "" || !f.HolderUnsure) {
			t.Errorf("%+v", f)
		}
	}
}

// runList prints what List finds in a tree, as a program of its own.
func runList(root string) {
	devFolder, sysFolder = root+"/dev", root+"/sys"
	all, err := List(context.Background())
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	if err := json.NewEncoder(os.Stdout).Encode(all); err != nil {
		os.Exit(1)
	}
}

// Looking at lines refuses where somebody has the port or might have it.
func TestLinesOfAPortInUseAreNotLookedAt(t *testing.T) {
	_, slave := newPTY(t)
	for _, f := range []Found{{Device: slave, Holder: "cat (process 7)"}, {Device: slave, HolderUnsure: true}} {
		if err := f.LookAtLines(t.Context()); err != errNotLooked || f.Lines != nil {
			t.Errorf("%+v: %v", f, err)
		}
	}
	f := Found{Device: slave}
	if err := f.LookAtLines(t.Context()); err != ErrNoModem || f.Lines != nil {
		t.Errorf("a pseudo-terminal: %v", err)
	}
	p := opened(t, Config{Address: slave}) // somebody opened it in between
	if err := f.LookAtLines(t.Context()); err == nil || !strings.Contains(err.Error(), "locked") {
		t.Errorf("a port that is locked: %v", err)
	}
	p.Close()
	if f.Device += "-gone"; f.LookAtLines(t.Context()) == nil {
		t.Error("a port that is gone")
	}
}

func TestListEndsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := List(ctx); err == nil {
		t.Error("it did not end")
	}
}

// What may be an adapter and gives no port is told, with who may have taken it.
func TestAnAdapterWithoutAPort(t *testing.T) {
	u := newComputer(t)
	thing := func(socket, class, driver string) {
		device := "sys/devices/pci0000:00/usb1/" + socket
		u.file(device+"/idVendor", "0403\n")
		u.file(device+"/idProduct", "6001\n")
		u.file(device+"/"+socket+":1.0/bInterfaceClass", class+"\n")
		if driver != "" {
			u.driver(device+"/"+socket+":1.0", driver)
		}
		u.link(filepath.Join(u.root, device), "sys/bus/usb/devices/"+socket)
		u.link(filepath.Join(u.root, device, socket+":1.0"), "sys/bus/usb/devices/"+socket+":1.0")
	}
	thing("1-1", "ff", "ftdi_sio")
	thing("1-2", "03", "") // a keyboard
	if got := Unlisted(); len(got) != 0 {
		t.Errorf("nothing is amiss: %q", got)
	}
	thing("1-3", "ff", "")
	thing("1-4", "ff", "usbfs")
	u.process(42, "brltty", 0)
	u.process(43, "ModemManager", 0)
	got := strings.Join(Unlisted(), "\n")
	for _, want := range []string{"0403:6001 in socket 1-3 may be an adapter, and no driver", "socket 1-4 may be an adapter, and a program has taken it",
		"brltty (process 42)"} {
		if !strings.Contains(got, want) {
			t.Errorf("%q is not in %q", want, got)
		}
	}
	if all := Probers(); len(all) != 2 || all[0].PID != 42 || all[1].Program != "ModemManager" {
		t.Errorf("probers: %+v", all)
	}
}

// Our rules leave a mark in udev's record of a port.
func TestAPortThatIsSpared(t *testing.T) {
	u := newComputer(t)
	u.uart(0, "4", "sys/devices/pnp0/00:05")
	device := filepath.Join(u.root, "dev/ttyS0")
	if _, known := Spared(device); known {
		t.Error("there is no record")
	}
	u.file("run/udev/data/c4:64", "I:1\nE:ID_BUS=usb\n")
	if spared, known := Spared(device); spared || !known {
		t.Error("no mark")
	}
	u.file("run/udev/data/c4:64", "I:1\nE:ID_MM_PORT_IGNORE=1\nG:systemd\n")
	if spared, known := Spared(device); !spared || !known {
		t.Error("the mark is not seen")
	}
}

// TestListOfThisComputer is what a real system gives; nothing is opened, so nothing waits.
func TestListOfThisComputer(t *testing.T) {
	before := descriptors(t)
	begin := time.Now()
	all := listed(t)
	t.Logf("%d ports in %v", len(all), time.Since(begin))
	for _, f := range all {
		if f.Address == "" || f.Device == "" || rank(f.Kind) < 0 {
			t.Errorf("%+v", f)
		}
	}
	if after := descriptors(t); after != before {
		t.Errorf("%d descriptors before, %d after", before, after)
	}
}
