package main

import (
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"weighpost/gateway/port/pty"
)

// terminal is a pseudo-terminal with a person before it: lines are edited and echoed as on any terminal, and Ctrl-C
// interrupts the program whose terminal it is.
type terminal struct {
	t      *testing.T
	master *os.File
	tty    *os.File // the program's end

	mu   sync.Mutex
	all  strings.Builder
	seen int // how much of it was expected already
	done chan struct{}
}

func newTerminal(t *testing.T) *terminal {
	t.Helper()
	master, path, err := pty.Open()
	if err != nil {
		t.Skipf("no pseudo-terminal here: %v", err)
	}
	tty, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	mode, err := unix.IoctlGetTermios(int(tty.Fd()), unix.TCGETS)
	if err != nil {
		t.Fatal(err)
	}
	mode.Iflag |= unix.ICRNL
	mode.Oflag |= unix.OPOST | unix.ONLCR
	mode.Lflag |= unix.ICANON | unix.ECHO | unix.ISIG
	mode.Cc[unix.VINTR], mode.Cc[unix.VEOF] = 3, 4
	if err := unix.IoctlSetTermios(int(tty.Fd()), unix.TCSETS, mode); err != nil {
		t.Fatal(err)
	}
	if err := unix.IoctlSetWinsize(int(tty.Fd()), unix.TIOCSWINSZ, &unix.Winsize{Row: 40, Col: 80}); err != nil {
		t.Fatal(err)
	}
	m := &terminal{t: t, master: master, tty: tty, done: make(chan struct{})}
	go m.watch()
	t.Cleanup(m.close)
	return m
}

func (m *terminal) watch() {
	defer close(m.done)
	buf := make([]byte, 4096)
	for {
		n, err := m.master.Read(buf)
		m.mu.Lock()
		m.all.Write(buf[:n])
		m.mu.Unlock()
		if err != nil {
			return
		}
	}
}

func (m *terminal) close() {
	m.tty.Close()
	m.master.Close()
	<-m.done
}

// text is all that the person has seen, with plain line ends.
func (m *terminal) text() string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return strings.ReplaceAll(m.all.String(), "\r\n", "\n")
}

// expect waits until the terminal shows something that it did not show before the last expected words.
func (m *terminal) expect(words string) {
	m.t.Helper()
	for limit := time.Now().Add(30 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		text := m.text()
		if at := strings.Index(text[m.seen:], words); at >= 0 {
			m.seen += at + len(words)
			return
		}
		if time.Now().After(limit) {
			m.t.Fatalf("%q was not shown within 30 s; since the last words:\n%s\nand before:\n%s", words, text[m.seen:], text[:m.seen])
		}
	}
}

// answer waits for words and a prompt behind them, and types a line.
func (m *terminal) answer(words, line string) {
	m.t.Helper()
	m.expect(words)
	m.expect("> ")
	m.typed(line + "\n")
}

func (m *terminal) typed(text string) {
	m.t.Helper()
	if _, err := m.master.WriteString(text); err != nil {
		m.t.Fatal(err)
	}
}
