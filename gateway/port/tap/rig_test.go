package tap

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/health"
	"weighpost/gateway/needs"
	"weighpost/gateway/port"
	"weighpost/gateway/port/pty"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// rig is a balance on a pseudo-terminal, a line that reads it, and a tap.
type rig struct {
	cord  *pty.Cord
	line  *port.Line
	tap   *Tap
	read  *reader // what the line's handler was given
	board *health.Board
	stop  func() // ends line and tap, once
}

// reader is a handler that keeps what it is given.
type reader struct {
	mu   sync.Mutex
	got  bytes.Buffer
	ups  int
	down int
	hook func(p []byte) // called with each read
}

func (r *reader) Up(time.Time)          { r.mu.Lock(); r.ups++; r.mu.Unlock() }
func (r *reader) Down(time.Time, error) { r.mu.Lock(); r.down++; r.mu.Unlock() }
func (r *reader) Idle(time.Time)        {}
func (r *reader) Bytes(p []byte, _ port.Arrival) {
	r.mu.Lock()
	r.got.Write(p)
	hook := r.hook
	r.mu.Unlock()
	if hook != nil {
		hook(p)
	}
}

func (r *reader) text() string { r.mu.Lock(); defer r.mu.Unlock(); return r.got.String() }
func (r *reader) counts() (ups, downs int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.ups, r.down
}

func needPTY(t testing.TB) {
	t.Helper()
	m, _, err := pty.Open()
	needs.That(t, err == nil, "pseudo-terminals")
	m.Close()
}

// newRig starts a balance with a tap. The port's configuration may be changed by change.
func newRig(t *testing.T, cfg Config, change func(*port.Config)) *rig {
	t.Helper()
	needPTY(t)
	r := &rig{cord: pty.NewCord(filepath.Join(t.TempDir(), "balance")), read: &reader{}, board: health.New(time.Now)}
	if err := r.cord.Plug(); err != nil {
		t.Fatal(err)
	}
	c := port.Config{Address: r.cord.Path()}
	if change != nil {
		change(&c)
	}
	r.line = port.NewLine(c, "b-1", r.board, nil)
	r.tap = New(cfg, "b-1", r.board, nil)
	r.tap.Attach(r.line)
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { _ = r.line.Run(ctx, r.read) })
	wg.Go(func() { r.tap.Run(ctx) })
	r.stop = sync.OnceFunc(func() {
		cancel()
		wg.Wait()
		_ = r.cord.Pull()
	})
	t.Cleanup(r.stop)
	r.until(t, "the balance's port is open", func() bool { ups, downs := r.read.counts(); return ups > downs })
	return r
}

func (r *rig) until(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for limit := time.Now().Add(20 * time.Second); !holds(); time.Sleep(time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("waited 20 s until %s; the tap: %+v; conditions: %+v", what, r.tap.Status(), r.board.List())
		}
	}
}

func (r *rig) open(t *testing.T) {
	t.Helper()
	r.until(t, "the tap is open", func() bool { return r.tap.Status().Open })
}

func (r *rig) program(t *testing.T, there bool) {
	t.Helper()
	r.until(t, fmt.Sprintf("a program is there: %v", there), func() bool { return r.tap.Status().Program == there })
}

func (r *rig) holds(code string) bool {
	for _, c := range r.board.List() {
		if c.Any(func(c *health.Condition) bool { return c.Code == code }) {
			return true
		}
	}
	return false
}

// print has the balance send text.
func (r *rig) print(t *testing.T, text string) {
	t.Helper()
	if _, err := io.WriteString(r.cord, text); err != nil {
		t.Fatal(err)
	}
}

// far is the program's side.
type far interface {
	io.ReadWriteCloser
	SetReadDeadline(time.Time) error
}

// tcpRig is a rig with a TCP tap and a program at it.
func tcpRig(t *testing.T, change func(*Config)) (*rig, *net.TCPConn) {
	t.Helper()
	cfg := Config{Listen: needs.FreeAddress(t)}
	if change != nil {
		change(&cfg)
	}
	r := newRig(t, cfg, nil)
	r.open(t)
	return r, r.dial(t)
}

func (r *rig) dial(t *testing.T) *net.TCPConn {
	t.Helper()
	conn, err := net.Dial("tcp", r.tap.cfg.Listen)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	r.program(t, true)
	return conn.(*net.TCPConn)
}

// linkRig is a rig with a pseudo-terminal.
func linkRig(t *testing.T, change func(*Config)) (*rig, string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "as-before")
	cfg := Config{PseudoTerminal: path}
	if change != nil {
		change(&cfg)
	}
	r := newRig(t, cfg, nil)
	r.open(t)
	return r, path
}

// openLink opens the pseudo-terminal as a program does.
func (r *rig) openLink(t *testing.T) port.Port {
	t.Helper()
	p, err := port.Config{Address: r.tap.cfg.PseudoTerminal}.Open(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.Close() })
	r.program(t, true)
	return p
}

// gets reads exactly want, or fails.
func gets(t *testing.T, from interface {
	io.Reader
	SetReadDeadline(time.Time) error
}, want string) {
	t.Helper()
	_ = from.SetReadDeadline(time.Now().Add(20 * time.Second))
	got := make([]byte, len(want))
	n, err := io.ReadFull(from, got)
	if string(got[:n]) != want {
		t.Fatalf("got %q, %v; want %q", got[:n], err, want)
	}
}

// getsNothing waits a little and fails if anything comes.
func getsNothing(t *testing.T, from interface {
	io.Reader
	SetReadDeadline(time.Time) error
}, wait time.Duration) {
	t.Helper()
	_ = from.SetReadDeadline(time.Now().Add(wait))
	got := make([]byte, 100)
	if n, err := from.Read(got); n > 0 {
		t.Fatalf("got %q, %v; want nothing", got[:n], err)
	}
}

// balanceGets reads exactly want at the balance.
func (r *rig) balanceGets(t *testing.T, want string) {
	t.Helper()
	got := make([]byte, len(want))
	done := make(chan error, 1)
	go func() { _, err := io.ReadFull(r.cord, got); done <- err }()
	select {
	case err := <-done:
		if string(got) != want {
			t.Fatalf("the balance got %q, %v; want %q", got, err, want)
		}
	case <-time.After(20 * time.Second):
		_ = r.cord.Pull() // frees the reader
		<-done
		t.Fatalf("the balance got %q within 20 s; want %q; the tap: %+v", strings.TrimRight(string(got), "\x00"), want, r.tap.Status())
	}
}

func every() string {
	all := make([]byte, 256)
	for i := range all {
		all[i] = byte(i)
	}
	return string(all)
}

func fds(t *testing.T) int {
	t.Helper()
	list, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Skip("the open descriptors can be counted on Linux only")
	}
	return len(list)
}
