//go:build linux

package gateway_test

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/needs"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
)

// tapped is a house with two balances, of which the first has a tap. more follows the first balance's keys.
func tapped(t *testing.T, more string) (*house, string) {
	t.Helper()
	h := newHouse(t, "port-1", "port-2", "port-3")
	text := withTap(more)
	h.start(t, text)
	t.Cleanup(func() {
		if h.Gateway != nil {
			h.stop(t)
		}
	})
	return h, text
}

func withTap(more string) string {
	return strings.Replace(base[:strings.Index(base, "sinks:")], "layout: as.yaml\n", "layout: as.yaml\n"+more, 1)
}

func (h *house) tap() console.Tap {
	if tap := h.Balances()[0].Tap; tap != nil {
		return *tap
	}
	return console.Tap{}
}

// program connects to a tap as soon as it is open, and waits until the tap has seen that.
func (h *house) program(t *testing.T, address string) net.Conn {
	t.Helper()
	var conn net.Conn
	until(t, func() bool {
		c, err := net.Dial("tcp", address)
		conn = c
		return err == nil
	}, "nobody listens at "+address)
	t.Cleanup(func() { conn.Close() })
	until(t, func() bool { return h.tap().Program }, "the program is not seen")
	_ = conn.SetDeadline(time.Now().Add(5 * time.Minute))
	return conn
}

func (h *house) prints(t *testing.T, port string, b []byte) {
	t.Helper()
	if _, err := h.cords[port].Write(b); err != nil {
		t.Fatal(err)
	}
}

// TestEveryLineIsRecordedBesideATapThatNobodyReads: the program stands still, and nothing is missing.
func TestEveryLineIsRecordedBesideATapThatNobodyReads(t *testing.T) {
	t.Parallel() // it mostly waits
	address := needs.FreeAddress(t)
	h, _ := tapped(t, fmt.Sprintf("  tap: {listen: %q}\n", address))
	conn := h.program(t, address)
	_ = conn.(*net.TCPConn).SetReadBuffer(4 << 10)
	// What waits for the program fills up, here and in the kernel; from then on as many lines again are left out.
	const most, each = 30_000, 250
	lines, enough := 0, most
	for ; lines < enough; lines += each {
		var some []byte
		for j := range each {
			some = append(some, line(1000+lines+j)...)
		}
		h.prints(t, "port-1", some)
		until(t, func() bool { return h.Balances()[0].Recorded >= uint64(lines) }, "recording does not follow")
		if enough == most && h.tap().LinesLeftOut > 0 && os.Getenv("WEIGHPOST_LONG") != "1" {
			enough = min(most, 2*(lines+each))
		}
	}
	until(t, func() bool { return h.Balances()[0].Recorded == uint64(lines) }, "a line is not recorded")
	if tap := h.tap(); tap.LinesLeftOut == 0 {
		t.Errorf("the program did not read, and the tap says %+v", tap)
	}
	found := false
	for _, c := range h.Conditions() {
		found = found || c.Code == health.TapBehind && c.Subject == "b-1"
	}
	if !found {
		t.Errorf("nothing is said: %+v", h.Conditions())
	}
	h.stop(t)
	h.Gateway = nil
	recorded := all[record.Weighing](t, h, record.KindWeighing)
	if len(recorded) != lines {
		t.Errorf("%d lines were printed, and %d are recorded", lines, len(recorded))
	}
	for i, w := range recorded {
		if want := strings.TrimSpace(strings.TrimSuffix(string(line(1000+i)), " g\r\n")); w.Value.Digits != want {
			t.Fatalf("weighing %d is %s, and not %s", i, w.Value.Digits, want)
		}
	}
}

// TestWeighpostAndAProgramAskOneBalance: through the whole daemon, each gets the answers to its own questions.
func TestWeighpostAndAProgramAskOneBalance(t *testing.T) {
	address := needs.FreeAddress(t)
	h, _ := tapped(t, fmt.Sprintf("  ask: {send: \"P\\r\\n\", timeout: 10s}\n  tap: {listen: %q, answer: 20s, wait: 20s}\n", address))
	conn := h.program(t, address)
	const others = 500_000 // thousandths that the program's answers begin with
	var wg sync.WaitGroup
	wg.Go(func() { // the balance
		asked, from := 0, bufio.NewReader(h.cords["port-1"])
		for {
			question, err := from.ReadString('\n')
			if err != nil {
				return
			}
			if n, err := strconv.Atoi(strings.Trim(question, "Q\r\n")); err == nil {
				_, _ = h.cords["port-1"].Write(line(others + n))
			} else {
				asked++
				_, _ = h.cords["port-1"].Write(line(asked))
			}
		}
	})
	rounds := 30
	if os.Getenv("WEIGHPOST_LONG") != "" {
		rounds = 1000
	}
	wg.Go(func() {
		for i := range rounds {
			a, err := h.Read(t.Context(), "b-1", record.ReadRequest{})
			want := strings.TrimSpace(strings.TrimSuffix(string(line(i+1)), " g\r\n"))
			if err != nil || a.Value.Digits != want {
				t.Errorf("weighpost asked for the %dth time and got %q, %v; want %s", i+1, a.Value.Digits, err, want)
				return
			}
		}
	})
	answers := bufio.NewReader(conn)
	for i := range rounds {
		_, _ = fmt.Fprintf(conn, "Q%d\r\n", i)
		if got, err := answers.ReadString('\n'); err != nil || got != string(line(others+i)) {
			t.Errorf("the program asked %d and got %q, %v", i, got, err)
			break
		}
	}
	until(t, func() bool { return int(h.tap().LinesWithheld) == rounds || t.Failed() }, "weighpost does not get its answers")
	_ = h.cords["port-1"].Pull()
	wg.Wait()
}

// TestAReloadOfATapLeavesTheBalanceAlone, and a reload of the balance's port leaves the program where it is.
func TestAReloadOfATapLeavesTheBalanceAlone(t *testing.T) {
	first, second, link := needs.FreeAddress(t), needs.FreeAddress(t), ""
	h, text := tapped(t, fmt.Sprintf("  tap: {listen: %q}\n", first))
	link = filepath.Join(h.dir, "as-before")
	conn := h.program(t, first)
	pipeline, opens := h.Lines()["b-1"], h.Lines()["b-1"].Counts().Opens
	hears := func(conn io.Reader, port string, n int) {
		t.Helper()
		h.prints(t, port, line(n))
		got := make([]byte, len(line(n)))
		if _, err := io.ReadFull(conn, got); err != nil || string(got) != string(line(n)) {
			t.Fatalf("the program got %q, %v", got, err)
		}
	}
	hears(conn, "port-1", 1)

	text = strings.Replace(text, "listen: "+strconv.Quote(first), "listen: "+strconv.Quote(second), 1)
	if err := h.reload(t, text); err != nil {
		t.Fatal(err)
	}
	if _, err := conn.Read(make([]byte, 1)); err == nil {
		t.Error("the old tap still talks")
	}
	until(t, func() bool { _, err := net.Dial("tcp", first); return err != nil }, "the old address is still open")
	conn = h.program(t, second)
	hears(conn, "port-1", 2)
	if h.Lines()["b-1"] != pipeline || pipeline.Counts().Opens != opens {
		t.Error("the balance's port was opened anew for its tap")
	}

	text = strings.Replace(text, "port-1, speed: 115200", "port-3, speed: 115200", 1)
	if err := h.reload(t, text); err != nil {
		t.Fatal(err)
	}
	h.up(t)
	hears(conn, "port-3", 3) // the same connection
	_, _ = io.WriteString(conn, "Q\r\n")
	got := make([]byte, 3)
	if _, err := io.ReadFull(h.cords["port-3"], got); err != nil || string(got) != "Q\r\n" {
		t.Errorf("the balance got %q, %v", got, err)
	}

	text = strings.Replace(text, "listen: "+strconv.Quote(second), "pseudo_terminal: DIR/as-before", 1)
	if err := h.reload(t, text); err != nil {
		t.Fatal(err)
	}
	var serial port.Port
	until(t, func() bool {
		p, err := port.Config{Address: link}.Open(t.Context())
		serial = p
		return err == nil
	}, "the pseudo-terminal is not there")
	defer serial.Close()
	until(t, func() bool { return h.tap().Program }, "the program is not seen")
	hears(serial, "port-3", 4)

	text = strings.Replace(text, "  tap: {pseudo_terminal: DIR/as-before}\n", "", 1)
	if err := h.reload(t, text); err != nil {
		t.Fatal(err)
	}
	until(t, func() bool { _, err := os.Lstat(link); return os.IsNotExist(err) }, "the link is still there")
	h.prints(t, "port-3", line(5))
	until(t, func() bool { return h.Balances()[0].Recorded == 5 }, "a line was not recorded")
	if h.Balances()[0].Tap != nil {
		t.Error("there is still a tap")
	}
}

// TestAStopTakesTheTapsAway: links and addresses are free after it.
func TestAStopTakesTheTapsAway(t *testing.T) {
	h, _ := tapped(t, "  tap: {pseudo_terminal: DIR/as-before}\n")
	link := filepath.Join(h.dir, "as-before")
	until(t, func() bool { return h.tap().Open }, "the tap is not open")
	if _, err := os.Stat(link); err != nil {
		t.Fatal(err)
	}
	h.stop(t)
	h.Gateway = nil
	if _, err := os.Lstat(link); !os.IsNotExist(err) {
		t.Errorf("after the stop: %v", err)
	}
}

// TestATapThatCannotBeOpenedIsACondition, and the balance is recorded all the same.
func TestATapThatCannotBeOpenedIsACondition(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	h, _ := tapped(t, fmt.Sprintf("  tap: {listen: %q}\n", l.Addr()))
	holds := func() bool {
		for _, c := range h.Conditions() {
			if c.Code == health.TapUnavailable && c.Subject == "b-1" {
				return true
			}
		}
		return false
	}
	until(t, holds, "nothing is said")
	h.prints(t, "port-1", line(1))
	until(t, func() bool { return h.Balances()[0].Recorded == 1 }, "the line is not recorded")
	l.Close()
	until(t, func() bool { return h.tap().Open && !holds() }, "the tap does not open by itself")
}
