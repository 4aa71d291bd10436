//go:build linux

package machine

import (
	"encoding/json"
	"fmt"
	"net"
	"strconv"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// adapter is a USB serial adapter that can be plugged into the computer, with a balance behind it.
type adapter struct {
	id   string // qemu's, and the adapter's serial number
	wire net.Conn
}

const usbPorts = "qemu-xhci,id=xhci"

// plug plugs an adapter in and connects its balance.
func (c *computer) plug(t *testing.T, id string) *adapter {
	t.Helper()
	return c.plugAs(t, id, id)
}

// plugAs does so with another serial number.
func (c *computer) plugAs(t *testing.T, id, serial string) *adapter {
	t.Helper()
	command := fmt.Sprintf("device_add usb-serial,id=%s,chardev=%s,bus=xhci.0,serial=%s", id, id, serial)
	said := c.tryHand(t, command)
	for limit := time.Now().Add(10 * time.Second); strings.Contains(said, "in use"); said = c.tryHand(t, command) {
		if time.Now().After(limit) {
			t.Fatalf("%s: %s", command, said)
		}
		time.Sleep(50 * time.Millisecond) // the kernel has not let go of it yet
	}
	if strings.Contains(said, "Error") {
		t.Fatalf("%s: %s", command, said)
	}
	return &adapter{id, c.connectAt(t, lineOf(id))}
}

func (c *computer) unplug(t *testing.T, a *adapter) {
	t.Helper()
	c.hand(t, "device_del "+a.id)
	_ = a.wire.Close()
	// qemu fails an assertion of its own when the next balance connects before the adapter is wholly gone.
	for limit := time.Now().Add(10 * time.Second); strings.Contains(c.tryHand(t, "info usb"), "ID: "+a.id); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("the adapter %s cannot be pulled out", a.id)
		}
	}
	time.Sleep(200 * time.Millisecond)
}

// print sends bytes as a balance does.
func (a *adapter) print(t *testing.T, text string) {
	t.Helper()
	_, err := a.wire.Write([]byte(text))
	must(t, err)
}

func gram(n int) string { return fmt.Sprintf("%6d.%03d g\r\n", n/1000, n%1000) }

// start starts weighpost in the machine.
func (c *computer) start(t *testing.T) {
	t.Helper()
	c.do(t, "(weighpost run --config /etc/weighpost.yaml >>/tmp/log 2>&1 & echo $! >/tmp/pid)")
	c.wait(t, "grep -q ' balances, ' /tmp/log", time.Minute)
}

// stop ends it in good order and verifies its journal.
func (c *computer) stop(t *testing.T, folder string) {
	t.Helper()
	c.do(t, "kill -TERM $(cat /tmp/pid)")
	c.wait(t, "! kill -0 $(cat /tmp/pid) 2>/dev/null", time.Minute)
	for _, line := range c.do(t, "weighpost journal verify "+folder+" >/tmp/verified 2>&1; s=$?; cat /tmp/verified; [ $s = 0 ]") {
		t.Log(line)
	}
}

// said waits until weighpost has logged a text so often.
func (c *computer) said(t *testing.T, text string, times int) time.Duration {
	t.Helper()
	return c.wait(t, fmt.Sprintf("[ $(grep -c '%s' /tmp/log) -ge %d ]", text, times), 30*time.Second)
}

// recorded waits until so many weighings are in the folder behind weighpost.
func (c *computer) recorded(t *testing.T, n int) {
	t.Helper()
	c.wait(t, fmt.Sprintf("[ $(find /out -name '*.json' | wc -l) -ge %d ]", n), 30*time.Second)
}

// entries reads a journal in the machine.
func (c *computer) entries(t *testing.T, folder string) (list []record.Entry) {
	t.Helper()
	for _, line := range c.do(t, "weighpost journal list --json "+folder) {
		e, err := record.ParseEntry([]byte(line))
		if err != nil {
			t.Fatalf("%v: %q", err, line)
		}
		list = append(list, e)
	}
	return list
}

func body[B any](t *testing.T, e record.Entry) (b B) {
	t.Helper()
	must(t, json.Unmarshal(e.JSON, &b))
	return b
}

// TestAdaptersThatComeAndGo pulls real USB adapters (to the kernel they are) out of a running weighpost and plugs them in
// again, also under another number, with another adapter beside. Every printed line is a weighing, no half is joined to
// another, and the other adapter is never read.
func TestAdaptersThatComeAndGo(t *testing.T) {
	c := boot(t, `
site: seed-bank
journal: {folder: /tmp/journal}
page: {listen: "127.0.0.1:8467"}
balances: [{id: b-4, port: {address: /dev/balance/adapter-b4-0}, layout: fixed-line.yaml, record: printed}]
sinks: [{id: folder, kind: files, folder: /out}]
`, []string{"-device", usbPorts, "-chardev", lineFor("b4"), "-chardev", lineFor("other")}, nil)
	c.start(t)
	c.said(t, "port-missing", 1)
	c.idle(t, "with no adapter")

	b4 := c.plug(t, "b4")
	c.said(t, "port open", 1)
	t.Log(strings.Join(c.do(t, "ls -l /dev/balance /dev/serial/by-id | grep -o 'adapter.*\\|socket.*\\|usb-.*'; ls -l /dev/ttyUSB0"), "\n"))
	printed, halves := 0, 0
	const rounds = 6
	next := func() string { printed++; return gram(1000*printed + 345) }
	var other *adapter
	for round := range rounds {
		time.Sleep(500 * time.Millisecond) // of silence, after which a line is known to be heard from its beginning
		for range 3 {
			b4.print(t, next())
		}
		c.recorded(t, printed)
		b4.print(t, "     9.") // half a line
		halves++
		time.Sleep(500 * time.Millisecond)
		c.unplug(t, b4)
		c.said(t, "port-lost", round+1)
		if round == 0 {
			c.idle(t, "with the adapter pulled out")
		}
		switch round {
		case 1: // another one takes the number
			other = c.plug(t, "other")
			c.wait(t, "ls /dev/balance/adapter-other-0", 30*time.Second)
			other.print(t, gram(777_777))
		case 3:
			c.unplug(t, other)
			c.wait(t, "! ls /dev/balance/adapter-other-0", 30*time.Second)
		}
		b4 = c.plug(t, "b4")
		linked := c.wait(t, "ls /dev/balance/adapter-b4-0", 30*time.Second)
		back := c.said(t, "port open", round+2)
		t.Logf("round %d: the name is there after %.1f s, the port is read %.1f s later; it is now %s", round+1, linked.Seconds(), back.Seconds(),
			strings.Join(c.do(t, "readlink -f /dev/balance/adapter-b4-0"), ""))
		if back > 5*time.Second {
			t.Errorf("the port is read only %s after its name is there", back)
		}
	}
	time.Sleep(500 * time.Millisecond)
	b4.print(t, next())
	c.recorded(t, printed)
	c.stop(t, "/tmp/journal")
	c.judge(t, printed, halves)
}

// TestTwoAdaptersOfOneName plugs in two adapters with one serial number, as cheap ones have. weighpost reads neither until
// only one of them is there. What it cannot tell is which one is pulled out.
func TestTwoAdaptersOfOneName(t *testing.T) {
	c := boot(t, `
site: seed-bank
journal: {folder: /tmp/journal}
page: {listen: "127.0.0.1:8467"}
balances: [{id: b-4, port: {address: /dev/balance/adapter-b4-0}, layout: fixed-line.yaml, record: printed}]
sinks: [{id: folder, kind: files, folder: /out}]
`, []string{"-device", usbPorts, "-chardev", lineFor("b4"), "-chardev", lineFor("twin")}, nil)
	b4, twin := c.plug(t, "b4"), c.plugAs(t, "twin", "b4")
	c.wait(t, "ls /dev/ttyUSB0 /dev/ttyUSB1 /dev/balance/adapter-b4-0", 30*time.Second)
	c.start(t)
	c.said(t, "does not guess which", 1)
	t.Log(strings.Join(c.do(t, "grep 'does not guess' /tmp/log | cut -d' ' -f3-"), ""))
	twin.print(t, gram(777_777))
	c.unplug(t, twin)
	c.wait(t, "grep -q 'port open' /tmp/log", 2*time.Minute) // a port that refuses is tried again at long intervals
	time.Sleep(500 * time.Millisecond)
	b4.print(t, gram(1345))
	c.recorded(t, 1)
	c.stop(t, "/tmp/journal")
	c.judge(t, 1, 0)
}

// TestABreakInTheMiddleOfALine has a balance on an ordinary serial port (8250 driver) send a break in the middle of a line, as
// one does that is switched off and on. The emulated USB adapter cannot show it: it reports a break without a byte, and the
// kernel's driver heeds only those that come with one.
func TestABreakInTheMiddleOfALine(t *testing.T) {
	c := boot(t, `
site: seed-bank
journal: {folder: /tmp/journal}
page: {listen: "127.0.0.1:8467"}
balances: [{id: b-4, port: {address: /dev/ttyS1}, layout: fixed-line.yaml, record: printed}]
sinks: [{id: folder, kind: files, folder: /out}]
`, []string{"-chardev", lineFor("b4"), "-device", "isa-serial,chardev=b4"}, nil)
	b4 := &adapter{"b4", c.connectAt(t, lineOf("b4"))}
	c.start(t)
	c.said(t, "port open", 1)
	time.Sleep(500 * time.Millisecond)
	b4.print(t, gram(1345))
	c.recorded(t, 1)
	b4.print(t, "     8.")
	time.Sleep(500 * time.Millisecond)
	c.hand(t, "chardev-send-break b4")
	time.Sleep(500 * time.Millisecond)
	t.Log(strings.Join(c.do(t, "grep '^1:' /proc/tty/driver/serial"), ""))
	b4.print(t, "888 g\r\n")
	time.Sleep(500 * time.Millisecond)
	b4.print(t, gram(2345))
	c.recorded(t, 2)
	c.stop(t, "/tmp/journal")
	unread := 0
	for _, e := range c.entries(t, "/tmp/journal") {
		if e.Kind == record.KindUnread {
			u := body[record.Unread](t, e)
			t.Logf("unread: %s (%q)", u.Reason, u.Frame)
			unread++
		}
	}
	if unread == 0 {
		t.Error("a line with a break in it left no unread frame")
	}
	c.judge(t, 2, 0)
}

// judge holds the journal to what was printed.
func (c *computer) judge(t *testing.T, printed, halves int) {
	t.Helper()
	weighings, ups, downs, dropped := 0, 0, 0, 0
	for _, e := range c.entries(t, "/tmp/journal") {
		switch e.Kind {
		case record.KindWeighing:
			weighings++
			if w := body[record.Weighing](t, e); w.Value.Digits != strings.TrimSpace(gram(1000*weighings + 345)[:10]) {
				t.Errorf("weighing %d is %s", weighings, w.Value.Digits)
			}
		case record.KindPortUp:
			ups += body[record.PortChange](t, e).Times
		case record.KindPortDown:
			p := body[record.PortChange](t, e)
			downs += p.Times
			dropped += p.Dropped
			t.Logf("down: %s, %d bytes of an unfinished line", p.Why, p.Dropped)
		case record.KindUnread:
			u := body[record.Unread](t, e)
			t.Logf("unread: %s (%q)", u.Reason, u.Frame)
		}
	}
	if weighings != printed {
		t.Errorf("%d weighings of %d printed lines", weighings, printed)
	}
	if ups != halves+1 || downs != halves {
		t.Errorf("%d times up and %d times down in the journal, after %d unplugs", ups, downs, halves)
	}
}

// idle holds weighpost to next to no work while a port is missing.
func (c *computer) idle(t *testing.T, when string) {
	t.Helper()
	ticks := func() int {
		n := 0
		for _, field := range c.do(t, "cut -d' ' -f14,15 /proc/$(cat /tmp/pid)/stat | tr ' ' '\\n'") {
			x, err := strconv.Atoi(field)
			must(t, err)
			n += x
		}
		return n
	}
	before := ticks()
	const span = 10
	c.do(t, fmt.Sprintf("sleep %d", span))
	used := ticks() - before // hundredths of a second
	t.Logf("%s it uses %d ms of CPU in %d s, in an emulation that is some ten times slower than the computer", when, used*10, span)
	if used > 25*span { // one that goes round in a loop takes all there is
		t.Errorf("%s it uses %d %% of the CPU", when, used/span)
	}
}

func lineOf(id string) string { return "weighpost-test-" + id }

// lineFor is the wire between an adapter and its balance: a socket with an abstract name would outlive nothing.
func lineFor(id string) string {
	return "socket,id=" + id + ",abstract=on,server=on,wait=off,path=" + lineOf(id)
}

func (c *computer) connectAt(t *testing.T, name string) net.Conn {
	t.Helper()
	conn, err := net.Dial("unix", "@"+name)
	must(t, err)
	return conn
}
