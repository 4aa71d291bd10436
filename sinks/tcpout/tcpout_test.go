package tcpout

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/format"
	"weighpost/sinks/sinktest"
)

func asked(answer string) *Config {
	c := Default()
	c.Format, c.Template.Text, c.Unknown = format.NameTemplate, "{{.id}}", "replace"
	c.AskedBy, c.Answer, c.Nothing = "P\r\n", answer, "-\r\n"
	return c
}

// caller asks as an old program does.
type caller struct {
	net.Conn
	r *bufio.Reader
}

func call(t *testing.T, address string) *caller {
	t.Helper()
	for range 400 {
		if c, err := net.Dial("tcp", address); err == nil {
			t.Cleanup(func() { c.Close() })
			return &caller{c, bufio.NewReader(c)}
		}
		time.Sleep(5 * time.Millisecond)
	}
	t.Fatalf("nobody listens at %s", address)
	return nil
}

func (c *caller) ask(t *testing.T) string {
	t.Helper()
	if _, err := c.Write([]byte("P\r\n")); err != nil {
		t.Fatal(err)
	}
	_ = c.SetReadDeadline(time.Now().Add(5 * time.Second))
	line, err := c.r.ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(line)
}

func open(t testing.TB, c *Config) sinks.Sink {
	t.Helper()
	if c.Listen == "" && c.Dial == "" {
		c.Listen = needs.FreeAddress(t)
	}
	s, err := c.Open("old-program", sinks.Env{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// TestEachIsFetchedOnceAndInOrder: what is fetched between two attempts to deliver counts at the next one.
func TestEachIsFetchedOnceAndInOrder(t *testing.T) {
	c := asked("next")
	s := open(t, c)
	p := call(t, c.Listen)
	if got := p.ask(t); got != "-" {
		t.Errorf("before there is anything: %q", got)
	}
	entries := sinktest.Weighings(4, 1)
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if n, err := s.Deliver(ctx, entries); n != 0 || err == nil {
		t.Fatalf("%d accepted that nobody fetched: %v", n, err)
	}
	for i := range 2 { // nobody delivers just now
		if got := p.ask(t); got != entries[i].ID {
			t.Errorf("got %q, want %q", got, entries[i].ID)
		}
	}
	done := make(chan int, 1)
	go func() {
		n, _ := s.Deliver(t.Context(), entries)
		done <- n
	}()
	for i := 2; i < 4; i++ {
		if got := p.ask(t); got != entries[i].ID {
			t.Errorf("got %q, want %q", got, entries[i].ID)
		}
	}
	if n := <-done; n != 4 {
		t.Errorf("%d accepted of 4", n)
	}
	if got := p.ask(t); got != "-" {
		t.Errorf("after the last: %q", got)
	}
}

func TestTheNewestIsGivenOnlyWhileItIsFresh(t *testing.T) {
	c := asked("newest")
	c.NewestFor = strict.Duration(400 * time.Millisecond)
	s := open(t, c)
	p := call(t, c.Listen)
	entries := fresh(3)
	if n, err := s.Deliver(t.Context(), entries); n != 3 || err != nil {
		t.Fatal(n, err)
	}
	for range 2 {
		if got := p.ask(t); got != entries[2].ID {
			t.Errorf("got %q, want the newest, %q", got, entries[2].ID)
		}
	}
	time.Sleep(450 * time.Millisecond)
	if got := p.ask(t); got != "-" {
		t.Errorf("an old weighing was given: %q", got)
	}
}

// fresh makes weighings of now.
func fresh(n int) (list []record.Entry) {
	for _, e := range sinktest.Weighings(n, 1) {
		var w record.Weighing
		if err := json.Unmarshal(e.JSON, &w); err != nil {
			panic(err)
		}
		w.Stamp.UTC = record.UTC(time.Now())
		e.JSON, _ = json.Marshal(&w)
		list = append(list, e)
	}
	return list
}

func TestWhatIsTooOldIsLeftOutAndSaid(t *testing.T) {
	c := Default()
	c.SkipAfter = strict.Duration(time.Hour)
	s := open(t, c)
	p := call(t, c.Listen)
	entries := append(sinktest.Weighings(3, 1)[:2], fresh(3)[2]) // the first two are of November
	if n, err := s.Deliver(t.Context(), entries); n != 3 || err != nil {
		t.Fatal(n, err)
	}
	_ = p.SetReadDeadline(time.Now().Add(5 * time.Second))
	line, err := p.r.ReadString('\n')
	if err != nil || strings.TrimSpace(line) != string(entries[2].JSON) {
		t.Errorf("got %.100q: %v", line, err)
	}
	said := s.(sinks.Receipter).Receipts()
	if len(said) != 2 || said[0].ID != entries[0].ID || !strings.Contains(said[0].Given, "left out") {
		t.Errorf("said is %+v", said)
	}
}

// TestSeveralPrograms: each gets every line; one that takes nothing holds up the others no longer than write_timeout.
func TestSeveralPrograms(t *testing.T) {
	c := Default()
	c.Programs, c.WriteTimeout = 2, strict.Duration(300*time.Millisecond)
	s := open(t, c)
	good, stuck := call(t, c.Listen), call(t, c.Listen)
	_ = stuck.Conn.(*net.TCPConn).SetReadBuffer(4 << 10) // reads nothing
	extra := call(t, c.Listen)
	_ = extra.SetReadDeadline(time.Now().Add(5 * time.Second))
	if _, err := extra.Read(make([]byte, 1)); err == nil {
		t.Error("a third program is let in")
	}
	lines := make(chan string, 5000)
	go func() {
		defer close(lines)
		for {
			line, err := good.r.ReadString('\n')
			if err != nil {
				return
			}
			lines <- strings.TrimSpace(line)
		}
	}()
	entries := sinktest.Weighings(800, 1)
	for rest := entries; len(rest) > 0; {
		n, err := s.Deliver(t.Context(), rest[:min(200, len(rest))])
		if err != nil {
			t.Fatal(err)
		}
		rest = rest[n:]
	}
	for i, e := range entries {
		// Characters that are commands to some machines come as escapes of JSON: the same entry, in other bytes.
		got, err := sinktest.ParseJSON(sinktest.Arrival{Body: []byte(<-lines)})
		if err != nil || len(got) != 1 || got[0] != sinktest.FactOf(t, e) {
			t.Fatalf("line %d is %+v: %v", i, got, err)
		}
	}
	_ = stuck.SetReadDeadline(time.Now().Add(30 * time.Second))
	n, err := io.Copy(io.Discard, stuck)
	if total := int64(len(entries) * len(entries[0].JSON)); errors.Is(err, os.ErrDeadlineExceeded) || n > total/2 {
		t.Errorf("the program that stood still was not let go: it has %d bytes of about %d (%v)", n, total, err)
	}
}

func TestCheck(t *testing.T) {
	for _, bad := range []struct {
		says string
		of   func(*Config)
	}{
		{"no place", func(c *Config) {}},
		{"beside listen", func(c *Config) { c.Listen, c.Dial = "127.0.0.1:1", "127.0.0.1:2" }},
		{"whoever on the network", func(c *Config) { c.Listen = "0.0.0.0:4011" }},
		{"whoever on the network", func(c *Config) { c.Listen = ":4011" }},
		{"not be encrypted", func(c *Config) { c.Dial = "old.example:4011" }},
		{"no port number", func(c *Config) { c.Listen = "127.0.0.1:0" }},
		{"out of range", func(c *Config) { c.Listen, c.Programs = "127.0.0.1:1", 33 }},
		{"beside asked_by", func(c *Config) { c.Listen, c.AskedBy, c.Acknowledge = "127.0.0.1:1", "P", "\x06" }},
		{"code page", func(c *Config) { c.Listen, c.Encoding = "127.0.0.1:1", "klingon" }},
	} {
		c := Default()
		bad.of(c)
		r := strict.NewReport("it")
		c.Check(r)
		if !strings.Contains(r.Faults().Error(), bad.says) {
			t.Errorf("%q is not said: %v", bad.says, r.Faults())
		}
	}
	for _, good := range []func(*Config){
		func(c *Config) { c.Listen = "127.0.0.1:4011" },
		func(c *Config) { c.Listen, c.Insecure = ":4011", true },
		func(c *Config) { c.Dial = "localhost:4011" },
	} {
		c := Default()
		good(c)
		r := strict.NewReport("it")
		c.Check(r)
		if len(r.Faults()) > 0 {
			t.Errorf("%+v: %v", c, r.Faults())
		}
	}
}

func TestAnAddressThatIsTakenIsTriedAgain(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := Default()
	c.Listen = l.Addr().String()
	s := open(t, c)
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	var unusable sinks.Unusable
	if n, err := s.Deliver(ctx, fresh(1)); n != 0 || err == nil || errors.As(err, &unusable) {
		t.Errorf("%d, %v", n, err)
	}
	l.Close()
	p := startProgram(t, c.Listen, "")
	if n, err := s.Deliver(t.Context(), fresh(1)); n != 1 || err != nil {
		t.Error(n, err)
	}
	for range 400 {
		if len(p.received()) == 1 {
			return
		}
		time.Sleep(5 * time.Millisecond)
	}
	t.Error("the line did not arrive")
}
