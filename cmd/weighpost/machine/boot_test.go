//go:build linux

// Package machine runs weighpost inside an emulated computer with a real kernel, for the faults that no test may bring about
// on the computer that it runs on: USB adapters that are pulled out, a clock that somebody sets, a disk whose errors heal.
//
// It needs qemu-system-x86_64, busybox-static, dmsetup, udev, mkfs.ext4 and a Debian kernel; testdata/faults/machine/run.sh
// fetches the kernel and runs it all. Without WEIGHPOST_MACHINE, the folder that holds the kernel, it is skipped. The judge
// is outside the machine: the test prints as the balance, sets the clock and breaks the disk, and knows what it did.
package machine

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// computer is one emulated computer, with a shell on its console.
type computer struct {
	dir     string
	console net.Conn
	lines   *bufio.Reader
	monitor net.Conn
	gadget  []string // kernel modules, in their order, for a USB device that the machine itself plays
	// keyboard are those for a keyboard that it plays.
	keyboard []string
}

// kernelIn finds the kernel and its modules below a folder into which Debian's package was unpacked.
func kernelIn(t *testing.T) (kernel, modules string) {
	t.Helper()
	at := os.Getenv("WEIGHPOST_MACHINE")
	if at == "" {
		t.Skip("needs an emulated machine: testdata/faults/machine/run.sh makes one and runs this test in it")
	}
	found, _ := filepath.Glob(filepath.Join(at, "boot", "vmlinuz-*"))
	below, _ := filepath.Glob(filepath.Join(at, "lib", "modules", "*", "kernel"))
	if len(found) != 1 || len(below) != 1 {
		t.Fatalf("WEIGHPOST_MACHINE has %d kernels and %d folders of modules; run.sh unpacks one", len(found), len(below))
	}
	return found[0], below[0]
}

const initScript = `#!/bin/busybox sh
/bin/busybox --install -s /bin
mount -t proc proc /proc
mount -t sysfs sysfs /sys
mount -t devtmpfs dev /dev
mkdir -p /dev/pts /run /tmp /out
mount -t tmpfs tmpfs /run
mount -t tmpfs tmpfs /tmp
mount -t devpts devpts /dev/pts
for m in %s; do insmod $m || echo "cannot load $m"; done
ip link set lo up 2>/dev/null || ifconfig lo 127.0.0.1 up
/lib/systemd/systemd-udevd --daemon >/tmp/udevd.log 2>&1
udevadm trigger
stty -F /dev/ttyS0 -echo -onlcr
export PS1= PS2= HOME=/tmp
echo "the machine is up"
while :; do setsid sh -c 'exec sh </dev/ttyS0 >/dev/ttyS0 2>&1'; done
`

// boot starts a computer with a configuration of weighpost, further arguments for qemu and further programs.
func boot(t *testing.T, config string, qemu []string, programs map[string]string) *computer {
	t.Helper()
	kernel, modules := kernelIn(t)
	i := newImage()
	for _, dir := range []string{"proc", "sys", "dev", "run", "tmp", "out", "disk"} {
		i.entry(t, dir, modeDir, nil)
	}
	i.program(t, "/bin/busybox", "/bin/busybox")
	i.program(t, "/usr/bin/udevadm", "/bin/udevadm")
	i.entry(t, "lib/systemd/systemd-udevd", modeLink, []byte("/bin/udevadm"))
	for _, rules := range []string{"50-udev-default.rules", "60-serial.rules"} {
		i.copy(t, "/lib/udev/rules.d/"+rules, "/lib/udev/rules.d/"+rules)
	}
	i.copy(t, "../../../systemd/95-weighpost-serial.rules", "/etc/udev/rules.d/95-weighpost-serial.rules")
	i.entry(t, "etc/group", 0o100644, []byte("root:x:0:\ndialout:x:20:\ntty:x:5:\ndisk:x:6:\n"))
	i.entry(t, "etc/passwd", 0o100644, []byte("root:x:0:0:root:/tmp:/bin/sh\n"))
	i.program(t, "/usr/sbin/dmsetup", "/bin/dmsetup")
	i.copy(t, build(t, "weighpost/cmd/weighpost"), "/bin/weighpost")
	for to, from := range programs {
		i.copy(t, from, to)
	}
	i.copy(t, "../../../testdata/layouts/fixed-line.yaml", "/etc/fixed-line.yaml")
	i.entry(t, "etc/weighpost.yaml", 0o100644, []byte(config))
	order := i.modules(t, modules, "xhci-pci", "usbserial", "ftdi_sio", "crc32c_generic", "ext4", "virtio_pci", "virtio_blk", "dm-mod", "dm-flakey")
	gadget := i.modules(t, modules, "cdc-acm", "dummy_hcd", "usb_f_acm", "g_serial")
	keyboard := i.modules(t, modules, "configfs", "dummy_hcd", "usb_f_hid", "usbhid", "hid-generic", "evdev")
	i.entry(t, "init", modeFile, fmt.Appendf(nil, initScript, strings.Join(order, " ")))

	c := &computer{dir: t.TempDir(), gadget: gadget, keyboard: keyboard}
	i.write(t, filepath.Join(c.dir, "initrd"))
	c.run(t, append([]string{
		"-accel", "tcg", "-m", "768", "-smp", "1", "-display", "none", "-no-reboot", "-nodefaults", "-rtc", "base=utc",
		"-kernel", kernel, "-initrd", filepath.Join(c.dir, "initrd"), "-append", "console=ttyS0 quiet loglevel=1 panic=-1",
		"-chardev", "socket,id=console,path=" + c.path("console") + ",server=on,wait=on", "-serial", "chardev:console",
		"-chardev", "socket,id=monitor,path=" + c.path("monitor") + ",server=on,wait=off", "-mon", "chardev=monitor,mode=readline",
	}, qemu...))
	return c
}

func (c *computer) path(name string) string { return filepath.Join(c.dir, name) }

// run starts qemu, which ends with the test or after ten minutes.
func (c *computer) run(t *testing.T, args []string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Minute)
	cmd := exec.CommandContext(ctx, "qemu-system-x86_64", args...)
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	began := time.Now()
	must(t, cmd.Start())
	t.Cleanup(func() {
		cancel()
		_ = cmd.Wait()
		if t.Failed() && said.Len() > 0 {
			t.Logf("qemu says: %s", said.String())
		}
	})
	c.console, c.monitor = c.connect(t, "console"), c.connect(t, "monitor")
	t.Cleanup(func() { _ = c.console.Close(); _ = c.monitor.Close() })
	c.lines = bufio.NewReader(c.console)
	c.until(t, "the machine is up", 2*time.Minute)
	c.do(t, "true") // its greeting is no part of an answer
	t.Logf("the machine is up after %.0f s", time.Since(began).Seconds())
}

func (c *computer) connect(t *testing.T, name string) net.Conn {
	t.Helper()
	for limit := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		conn, err := net.Dial("unix", c.path(name))
		if err == nil {
			return conn
		}
		if time.Now().After(limit) {
			t.Fatal(err)
		}
	}
}

// until reads the console up to a line that begins with a text, and gives the lines before and the rest of that one.
func (c *computer) until(t *testing.T, text string, wait time.Duration) (before []string, rest string) {
	t.Helper()
	must(t, c.console.SetReadDeadline(time.Now().Add(wait)))
	for {
		line, err := c.lines.ReadString('\n')
		if err != nil {
			t.Fatalf("the machine does not say %q: %v\n%s", text, err, strings.Join(before, "\n"))
		}
		line = strings.TrimRight(line, "\r\n")
		if at := strings.Index(line, text); at >= 0 {
			if at > 0 {
				before = append(before, line[:at])
			}
			return before, line[at+len(text):]
		}
		before = append(before, line)
	}
}

const marker = "@end-of-output@"

// try runs a command in the machine's shell, and gives what it printed and its status.
func (c *computer) try(t *testing.T, command string) (lines []string, status int) {
	t.Helper()
	_, err := fmt.Fprintf(c.console, "{ %s\n} 2>&1; echo '%s'$?\n", command, marker)
	must(t, err)
	lines, rest := c.until(t, marker, time.Minute)
	status, err = strconv.Atoi(rest)
	must(t, err)
	return lines, status
}

// do runs a command that must work.
func (c *computer) do(t *testing.T, command string) []string {
	t.Helper()
	lines, status := c.try(t, command)
	if status != 0 {
		t.Fatalf("in the machine: %s: status %d\n%s", command, status, strings.Join(lines, "\n"))
	}
	return lines
}

// wait runs a command until it works.
func (c *computer) wait(t *testing.T, command string, patience time.Duration) time.Duration {
	t.Helper()
	for began := time.Now(); ; time.Sleep(100 * time.Millisecond) {
		lines, status := c.try(t, command)
		if status == 0 {
			return time.Since(began)
		}
		if time.Since(began) > patience {
			t.Fatalf("in the machine, for %s: %s: status %d\n%s", patience, command, status, strings.Join(lines, "\n"))
		}
	}
}

// hand tells qemu's monitor to do something to the computer from outside.
func (c *computer) hand(t *testing.T, command string) {
	t.Helper()
	if said := c.tryHand(t, command); strings.Contains(said, "Error") {
		t.Fatalf("%s: %s", command, said)
	}
}

// tryHand gives what the monitor says.
func (c *computer) tryHand(t *testing.T, command string) string {
	t.Helper()
	_, err := fmt.Fprintf(c.monitor, "%s\n", command)
	must(t, err)
	must(t, c.monitor.SetReadDeadline(time.Now().Add(10*time.Second)))
	buf, said := make([]byte, 4096), ""
	for !strings.Contains(strings.TrimPrefix(said, command), "\n(qemu) ") {
		n, err := c.monitor.Read(buf)
		if err != nil {
			t.Fatalf("%s: %v %q", command, err, said)
		}
		said += string(buf[:n])
	}
	return said
}
