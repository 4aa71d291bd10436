//go:build linux

package running

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/port/comtest"
	"weighpost/gateway/port/pty"
)

func plugged(t *testing.T, path string) *pty.Cord {
	t.Helper()
	c := pty.NewCord(path)
	if err := c.Plug(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Pull() })
	return c
}

// watcher is a weighpost watch whose output is read line by line.
type watcher struct {
	*exec.Cmd
	lines chan string
	errs  bytes.Buffer
}

func startWatch(t *testing.T, program string, args ...string) *watcher {
	t.Helper()
	w := &watcher{Cmd: exec.CommandContext(t.Context(), program, append([]string{"watch"}, args...)...), lines: make(chan string, 1000)}
	out, err := w.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	w.Stderr = &w.errs
	if err := w.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		defer close(w.lines)
		for s := bufio.NewScanner(out); s.Scan(); {
			w.lines <- s.Text()
		}
	}()
	t.Cleanup(func() { _ = w.Process.Kill() })
	return w
}

// until gives the first line that holds what is wanted.
func (w *watcher) until(t *testing.T, want string) string {
	t.Helper()
	var seen []string
	for limit := time.After(20 * time.Second); ; {
		select {
		case line, open := <-w.lines:
			if strings.Contains(line, want) {
				return line
			}
			if seen = append(seen, line); !open {
				t.Fatalf("%q does not come: %q, %s", want, seen, w.errs.String())
			}
		case <-limit:
			t.Fatalf("%q does not come: %q", want, seen)
		}
	}
}

// interrupt ends it as Ctrl-C does, and holds that it ends in good order.
func (w *watcher) interrupt(t *testing.T) {
	t.Helper()
	_ = w.Process.Signal(os.Interrupt)
	for range w.lines {
	}
	if err := w.Wait(); err != nil || w.errs.Len() > 0 {
		t.Errorf("after Ctrl-C: %v %s", err, w.errs.String())
	}
}

// watchedDaemon is a running daemon with one balance, and where its page is.
func watchedDaemon(t *testing.T) (program1 string, cord *pty.Cord, page string) {
	t.Helper()
	dir := t.TempDir()
	program1, cord = program(t, dir), plugged(t, filepath.Join(dir, "port-1"))
	layout, err := filepath.Abs("../../../testdata/layouts/fixed-line.yaml")
	if err != nil {
		t.Fatal(err)
	}
	config := filepath.Join(dir, "weighpost.yaml")
	text := fmt.Sprintf("site: seed-bank\njournal: {folder: journal}\npage: {listen: \"127.0.0.1:0\"}\nbalances:\n"+
		"- {id: b-1, port: {address: %q}, layout: %q}\n- {id: b-2, port: {address: /dev/no-such-port}, layout: %q}\n", cord.Path(), layout, layout)
	if err := os.WriteFile(config, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	daemon := exec.CommandContext(t.Context(), program1, "run", "--config", config)
	daemon.Cancel = func() error { return daemon.Process.Signal(syscall.SIGTERM) }
	out, err := daemon.StdoutPipe()
	if err == nil {
		err = daemon.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	found := regexp.MustCompile(`page: (http://\S+)/\s*$`).FindStringSubmatch(line)
	if err != nil || found == nil {
		t.Fatalf("the daemon says %q, %v", line, err)
	}
	t.Cleanup(func() {
		_ = daemon.Process.Signal(syscall.SIGTERM)
		_ = daemon.Wait()
	})
	return program1, cord, found[1]
}

func TestWatchShowsWhatADaemonDoes(t *testing.T) {
	t.Parallel()
	program, cord, page := watchedDaemon(t)
	w := startWatch(t, program, "--url", page)
	w.until(t, "-- seed-bank at "+page+": 2 balances")
	w.until(t, "!! error: Nothing comes from balance b-2. There is no serial port /dev/no-such-port.")
	for line, want := range map[string]string{
		"    12.345 g\r\n":     "b-1  12.345 g  recorded seed-bank/",
		"overl\x1b[31moad\r\n": "b-1  unread: ",
	} {
		if _, err := cord.Write([]byte(line)); err != nil {
			t.Fatal(err)
		}
		if got := w.until(t, want); strings.Contains(want, "recorded") && !strings.HasSuffix(got, "no sample  no person") {
			t.Errorf("who and which sample are not said to be unknown: %q", got)
		}
	}
	w.interrupt(t)

	j := startWatch(t, program, "--url", page, "--json")
	var e struct{ Event, Code, Subject, Sentence string }
	if line := j.until(t, `"event":"condition"`); json.Unmarshal([]byte(line), &e) != nil || e.Code == "" || e.Subject != "b-2" {
		t.Errorf("as JSON: %s", line)
	}
	j.interrupt(t)

	// The port is the daemon's, which says so; and it goes on reading it.
	held := startWatch(t, program, "--url", page, cord.Path())
	if err := held.Wait(); err == nil || !strings.Contains(held.errs.String(), "weighpost itself reads "+cord.Path()+", for the balance b-1: use watch without a port") {
		t.Errorf("a port that the daemon holds: %v %s", err, held.errs.String())
	}
}

// TestWatchStraightAtAPort: lines as they come, by a layout, with their bytes; unplugged and back.
func TestWatchStraightAtAPort(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	program, cord := program(t, dir), plugged(t, filepath.Join(dir, "port-1"))
	write := func(s string) {
		t.Helper()
		if _, err := cord.Write([]byte(s)); err != nil {
			t.Fatal(err)
		}
	}
	w := startWatch(t, program, cord.Path(), "--control", "--speed", "4800")
	w.until(t, "-- "+cord.Path())
	write("\x02 12.3450 g\r\n")
	w.until(t, "<STX> 12.3450 g<CR><LF>")
	write("no end")
	w.until(t, "no end") // after a pause
	if err := cord.Pull(); err != nil {
		t.Fatal(err)
	}
	w.until(t, "-- away: The serial port "+cord.Path()+" went away.")
	if err := cord.Plug(); err != nil {
		t.Fatal(err)
	}
	w.until(t, "-- "+cord.Path())
	w.interrupt(t)

	w = startWatch(t, program, cord.Path(), "--layout", "../../../testdata/layouts/fixed-line.yaml", "--hex")
	w.until(t, "-- ")
	write("    12.345 g\r\n")
	w.until(t, "12.345 g  20 20 20 20 31 32 2e 33 34 35 20 67 0d 0a")
	write("nonsense\r\n")
	w.until(t, "unread: ")
	w.interrupt(t)

	none := startWatch(t, program, filepath.Join(dir, "none"))
	if err := none.Wait(); err == nil || !strings.Contains(none.errs.String(), "There is no serial port") {
		t.Errorf("a port that is not there: %v %s", err, none.errs.String())
	}
}

// TestWatchADeviceServer: pyserial's, whose line is set by the command's flags.
func TestWatchADeviceServer(t *testing.T) {
	t.Parallel()
	program, server := program(t, t.TempDir()), comtest.Start(t, comtest.Options{Fastest: 9600})
	w := startWatch(t, program, server.Address, "--control", "--speed", "1200", "--data-bits", "7", "--parity", "even")
	w.until(t, "-- "+server.Address)
	server.Until(t, "set 1200 7 E 1")
	if _, err := server.Balance.WriteString("\x02 12.3450 g\r\n"); err != nil {
		t.Fatal(err)
	}
	w.until(t, "<STX> 12.3450 g<CR><LF>")
	w.interrupt(t)

	fast := startWatch(t, program, server.Address, "--speed", "19200")
	if err := fast.Wait(); err == nil || !strings.Contains(fast.errs.String(), "Nothing comes from the port. The device server at "+server.Address+" has set 1200 bits a second instead of 19200") {
		t.Errorf("a speed that it cannot do: %v %s", err, fast.errs.String())
	}
	raw := startWatch(t, program, "tcp"+strings.TrimPrefix(server.Address, "rfc2217"), "--speed", "9600")
	if err := raw.Wait(); err == nil || !strings.Contains(raw.errs.String(), "unless the address begins with rfc2217://") {
		t.Errorf("a speed over tcp: %v %s", err, raw.errs.String())
	}
	server.Stop()
	gone := startWatch(t, program, server.Address)
	if err := gone.Wait(); err == nil || !strings.Contains(gone.errs.String(), "does not answer") {
		t.Errorf("a server that is gone: %v %s", err, gone.errs.String())
	}
}

// TestWatchOnARealTerminal: with a pseudo-terminal as its output, what a hostile balance sends arrives there as print and line
// ends only.
func TestWatchOnARealTerminal(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	program, cord := program(t, dir), plugged(t, filepath.Join(dir, "port-1"))
	screen, path, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer screen.Close()
	terminal, err := os.OpenFile(path, os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	watch := exec.CommandContext(t.Context(), program, "watch", cord.Path())
	watch.Stdin, watch.Stdout, watch.Stderr = terminal, terminal, terminal
	if err := watch.Start(); err != nil {
		t.Fatal(err)
	}
	terminal.Close()
	seen := bufio.NewReader(screen)
	next := func() string {
		t.Helper()
		_ = screen.SetReadDeadline(time.Now().Add(20 * time.Second))
		line, err := seen.ReadString('\n')
		if err != nil {
			t.Fatalf("%q %v", line, err)
		}
		return line
	}
	next()
	for _, h := range []string{"\x1b[2J\x1b]0;t\x07", "\x9b31m", "\xc2\x9b31m", "1\xe2\x80\xae2", "\x00\x05\x0e\x7f", "a\x08b", "\xff\xfe"} {
		if _, err := cord.Write([]byte(h + "\r\n")); err != nil {
			t.Fatal(err)
		}
		line := next()
		if !strings.Contains(line, `\`) {
			t.Errorf("%q is shown as %q", h, line)
		}
		for _, c := range []byte(strings.TrimRight(line, "\r\n")) {
			if c < 0x20 || c > 0x7e {
				t.Errorf("of %q the byte %#x reaches the terminal", h, c)
			}
		}
	}
	_ = watch.Process.Signal(os.Interrupt)
	if err := watch.Wait(); err != nil {
		t.Errorf("after Ctrl-C: %v", err)
	}
}

// TestWatchEndsWhenNobodyReads: weighpost watch | head -n 1.
func TestWatchEndsWhenNobodyReads(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	cord := plugged(t, filepath.Join(dir, "port-1"))
	watch := exec.CommandContext(t.Context(), program(t, dir), "watch", cord.Path())
	out, err := watch.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var errs bytes.Buffer
	watch.Stderr = &errs
	if err := watch.Start(); err != nil {
		t.Fatal(err)
	}
	if _, err := io.ReadFull(out, make([]byte, 1)); err != nil {
		t.Fatal(err)
	}
	out.Close()
	ended := make(chan error, 1)
	go func() { ended <- watch.Wait() }()
	for limit := time.After(20 * time.Second); ; {
		if _, err := cord.Write([]byte("    12.345 g\r\n")); err != nil {
			t.Fatal(err)
		}
		select {
		case err := <-ended:
			if err != nil || errs.Len() > 0 {
				t.Errorf("it ends with %v and says %q", err, errs.String())
			}
			return
		case <-limit:
			t.Fatal("it does not end")
		case <-time.After(20 * time.Millisecond):
		}
	}
}
