package port

import (
	"context"
	"errors"
	"io"
	"strings"
	"sync"
	"testing"
	"time"
)

// ear is a Listener that writes down what it is told.
type ear struct {
	mu   sync.Mutex
	text strings.Builder
}

func (e *ear) tell(s string) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.text.WriteString(s)
}

func (e *ear) Up()            { e.tell("<") }
func (e *ear) Down()          { e.tell(">") }
func (e *ear) Bytes(p []byte) { e.tell(string(p)) }
func (e *ear) Handled()       {}

func (e *ear) until(t *testing.T, text string) {
	t.Helper()
	for limit := time.Now().Add(40 * time.Second); ; time.Sleep(time.Millisecond) {
		e.mu.Lock()
		got := e.text.String()
		e.mu.Unlock()
		if got == text {
			return
		}
		if time.Now().After(limit) {
			t.Fatalf("the listener was told %q, and not %q", got, text)
		}
	}
}

func TestWhoListensBesideIsToldTheSame(t *testing.T) {
	server := newDeviceServer(t, "127.0.0.1:0")
	line := NewLine(server.config(), "b-1", nil, nil)
	line.backoff = backoff{first: time.Millisecond, serial: 4 * time.Millisecond, rest: 4 * time.Millisecond}
	first, second := &ear{}, &ear{}
	line.Beside(first)
	stop := running(t, line, newStory())
	conn := server.next(t)
	first.until(t, "<")
	_, _ = io.WriteString(conn, "1.0\r\n")
	first.until(t, "<1.0\r\n")
	conn.Close()
	conn = server.next(t)
	first.until(t, "<1.0\r\n><")
	line.Beside(second) // beside a port that is open
	second.until(t, "<")
	first.until(t, "<1.0\r\n><>")
	_, _ = io.WriteString(conn, "2.0\r\n")
	second.until(t, "<2.0\r\n")
	line.Beside(nil)
	second.until(t, "<2.0\r\n>")
	stop()
	first.until(t, "<1.0\r\n><>")
}

// TestTheHandlerComesInBetween: whoever decides by the turn where bytes go sees the turn in which they came, and can wait with
// the next question until they were dealt with.
func TestTheHandlerComesInBetween(t *testing.T) {
	server := newDeviceServer(t, "127.0.0.1:0")
	line := NewLine(server.config(), "b-1", nil, nil)
	order := &ear{}
	line.Beside(around{order})
	stop := running(t, line, after{order})
	conn := server.next(t)
	_, _ = io.WriteString(conn, "x")
	order.until(t, "<xhd")
	stop()
}

type around struct{ *ear }

func (a around) Handled() { a.tell("d") }

type after struct{ e *ear }

func (a after) Up(time.Time)          {}
func (a after) Bytes([]byte, Arrival) { a.e.tell("h") }
func (a after) Idle(time.Time)        {}
func (a after) Down(time.Time, error) {}

func TestNothingIsSentToAPortThatListensOnly(t *testing.T) {
	server := newDeviceServer(t, "127.0.0.1:0")
	c := server.config()
	c.ListenOnly = true
	line := NewLine(c, "b-1", nil, nil)
	s := newStory()
	stop := running(t, line, s)
	conn := server.next(t)
	s.untilCount(t, "up", 1)
	if n, err := line.Write([]byte("?")); n != 0 || !errors.Is(err, ErrListenOnly) {
		t.Errorf("Write says %d, %v", n, err)
	}
	stop()
	if sent, _ := io.ReadAll(conn); len(sent) > 0 {
		t.Errorf("the balance got %q", sent)
	}
}

func TestListenOnlyLeavesNoFlowControl(t *testing.T) {
	c := Config{Address: "/dev/ttyS9", ListenOnly: true, Flow: FlowXONXOFF}
	if err := c.refuse(); err == nil || !strings.Contains(err.Error(), "listen_only") {
		t.Errorf("said %v", err)
	}
	if _, err := c.Open(context.Background()); err == nil {
		t.Error("it was opened")
	}
}
