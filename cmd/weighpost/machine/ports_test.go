//go:build linux

package machine

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/port"
)

// ports is what "weighpost ports --json" lists, by what the ports are called now.
func (c *computer) ports(t *testing.T, flags string) map[string]port.Found {
	t.Helper()
	all := map[string]port.Found{}
	for _, line := range c.do(t, "weighpost ports --json "+flags) {
		var f port.Found
		if err := json.Unmarshal([]byte(line), &f); err != nil {
			t.Fatalf("%v: %q", err, line)
		}
		all[f.Device] = f
	}
	return all
}

// see logs what a person sees.
func (c *computer) see(t *testing.T, command string) {
	t.Helper()
	t.Logf("$ %s\n%s", command, strings.Join(c.do(t, command), "\n"))
}

// TestPortsThatComeAndGo lists the ports of a computer with real drivers while adapters are plugged in and pulled out.
func TestPortsThatComeAndGo(t *testing.T) {
	c := boot(t, "", []string{"-device", usbPorts, "-chardev", lineFor("b4"), "-chardev", lineFor("twin"), "-chardev", "null,id=board", "-device", "isa-serial,chardev=board"},
		map[string]string{"/bin/lines": build(t, "weighpost/cmd/weighpost/machine/testdata/lines")})
	const usb0, usb1 = "/dev/ttyUSB0", "/dev/ttyUSB1"
	all := c.ports(t, "")
	if f := all["/dev/ttyS0"]; f.Kind != port.KindOnBoard || !strings.Contains(f.Holder, "the system's own console") || !strings.Contains(f.Holder, "sh (process") {
		t.Errorf("the console's port: %+v", f)
	}
	if f := all["/dev/ttyS1"]; f.Kind != port.KindOnBoard || f.Holder != "" || f.HolderUnsure || !strings.Contains(f.Description, "16550A") || f.Lines == nil || f.Lines.DTR || !f.Lines.DSR {
		t.Errorf("the other port of the computer: %+v, lines %+v", f, f.Lines)
	}
	if len(all) != 2 { // the driver has places for more, with nothing behind them
		t.Errorf("listed are %+v", all)
	}
	for _, line := range c.do(t, "lines /dev/ttyS1 1") { // two judges: what the port says and what the kernel does
		parts := strings.Split(line, " = ")
		if len(parts) != 3 || parts[1] != parts[0] || parts[2] != parts[0] {
			t.Errorf("DTR and RTS as asked for, as the port says and as the kernel says: %s", line)
		}
		t.Log(line)
	}

	b4 := c.plug(t, "b4")
	c.wait(t, "ls /dev/balance/adapter-b4-0", 30*time.Second)
	c.see(t, "weighpost ports")
	f := c.ports(t, "")[usb0]
	if f.Address != "/dev/balance/adapter-b4-0" || f.Kind != port.KindUSB || f.Vendor != "0403" || f.Product != "6001" || f.Serial != "b4" || f.Driver != "ftdi_sio" ||
		f.Twins || f.Holder != "" || f.Lines != nil || !slices.ContainsFunc(f.Names, func(n string) bool { return strings.HasPrefix(n, "/dev/serial/by-id/usb-") }) ||
		!slices.ContainsFunc(f.Names, func(n string) bool { return strings.HasPrefix(n, "/dev/serial/by-path/") }) {
		t.Errorf("the adapter: %+v", f)
	}
	if f = c.ports(t, "--lines")[usb0]; f.Lines == nil || !f.Lines.DTR || !f.Lines.RTS {
		t.Errorf("its modem lines: %+v", f.Lines)
	}

	c.do(t, "lines "+usb0+" 9") // no word of the kernel on these
	c.do(t, "(sleep 1000 <"+usb0+" & echo $! >/tmp/holder)")
	pid := strings.Join(c.do(t, "cat /tmp/holder"), "")
	if f = c.ports(t, "--lines")[usb0]; f.Holder != "sleep (process "+pid+")" || f.Lines != nil {
		t.Errorf("held by sleep, process %s: %+v", pid, f)
	}
	c.do(t, "kill "+pid)
	c.wait(t, "! kill -0 "+pid+" 2>/dev/null", 10*time.Second)

	twin := c.plugAs(t, "twin", "b4")
	c.wait(t, "ls "+usb1, 30*time.Second)
	c.wait(t, "[ $(ls /dev/serial/by-path | wc -l) -ge 2 ]", 30*time.Second)
	c.see(t, "weighpost ports")
	all = c.ports(t, "")
	if a, b := all[usb0], all[usb1]; !a.Twins || !b.Twins || a.Address == b.Address || !strings.HasPrefix(a.Address, "/dev/balance/socket-") || !strings.HasPrefix(b.Address, "/dev/balance/socket-") {
		t.Errorf("twins: %+v and %+v", a, b)
	}

	c.unplug(t, twin)
	for range 10 {
		c.unplug(t, b4)
		c.wait(t, "! ls "+usb0, 30*time.Second)
		if f, there := c.ports(t, "")[usb0]; there {
			t.Errorf("after it was pulled out: %+v", f)
		}
		b4 = c.plug(t, "b4")
		c.wait(t, "ls /dev/balance/adapter-b4-0", 30*time.Second)
		if f := c.ports(t, "")[usb0]; f.Address != "/dev/balance/adapter-b4-0" || f.Serial != "b4" || f.Twins {
			t.Errorf("plugged in again: %+v", f)
		}
	}
}

// TestAnAdapterWithTwoPorts has the machine play a USB device with two serial functions to itself (the kernel's dummy_hcd and
// g_serial). Each port has names of its own, and they lead to it: what is printed into one comes out of it.
func TestAnAdapterWithTwoPorts(t *testing.T) {
	c := boot(t, "", nil, nil)
	// Somebody's own rule that gives one name to both.
	c.do(t, `echo 'KERNEL=="ttyACM*", SYMLINK+="balance/shared"' >/etc/udev/rules.d/96-own.rules; udevadm control --reload`)
	for _, module := range c.gadget {
		args := ""
		if strings.Contains(module, "g_serial") {
			args = " n_ports=2 iSerialNumber=g7"
		}
		said, _ := c.try(t, "insmod "+module+args) // what was loaded before says so
		t.Log(module, said)
	}
	c.wait(t, "ls /dev/ttyACM0 /dev/ttyACM1 /dev/ttyGS0 /dev/ttyGS1", 30*time.Second)
	c.wait(t, "[ $(ls /dev/serial/by-id | wc -l) -ge 2 ]", 30*time.Second)
	c.see(t, "weighpost ports")
	all := c.ports(t, "")
	a, b := all["/dev/ttyACM0"], all["/dev/ttyACM1"]
	if a.Serial != "g7" || b.Serial != "g7" || a.Twins || b.Twins || a.Address == b.Address || a.Driver != "cdc_acm" || !strings.Contains(a.Description, "one of the 2 ports") {
		t.Errorf("%+v\n%+v", a, b)
	}
	own := map[string]string{} // each name leads to one port
	for _, f := range []port.Found{a, b} {
		names := append([]string{f.Address}, f.Names...)
		for _, kind := range []string{"/dev/balance/adapter-", "/dev/balance/socket-", "/dev/serial/by-id/", "/dev/serial/by-path/"} {
			if !slices.ContainsFunc(names, func(n string) bool { return strings.HasPrefix(n, kind) }) {
				t.Errorf("%s has no name %s…: %q", f.Device, kind, names)
			}
		}
		for _, name := range names {
			if other := own[name]; other != "" {
				t.Errorf("%s leads to %s and %s", name, other, f.Device)
			}
			own[name] = f.Device
		}
	}
	if to := own["/dev/balance/shared"]; to != "" {
		t.Errorf("a name that both ports ask for is listed for %s", to)
	}
	said, status := c.try(t, "ls -l /dev/balance/shared && timeout 10 weighpost watch /dev/balance/shared")
	if text := strings.Join(said, "\n"); status == 0 || !strings.Contains(text, "2 serial ports have the name /dev/balance/shared") {
		t.Errorf("status %d: %s", status, text)
	}
	for n, f := range map[string]port.Found{"0": a, "1": b} {
		c.do(t, "stty -F "+f.Address+" raw -echo")
		c.do(t, "(timeout 10 head -c 6 <"+f.Address+" >/tmp/read"+n+" &)")
		c.do(t, "sleep 1; stty -F /dev/ttyGS"+n+" raw -echo; echo port"+n+" >/dev/ttyGS"+n)
		c.wait(t, "grep -q port"+n+" /tmp/read"+n, 20*time.Second)
	}
}
