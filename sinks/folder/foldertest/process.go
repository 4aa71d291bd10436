package foldertest

import (
	"bytes"
	"net"
	"os/exec"
	"sync"
	"testing"
	"time"
)

// Process is a server on a loopback port, running or not, in a group of its own: signals go to it and to
// what it started, and to nobody else.
type Process struct {
	Addr    string           // where it listens
	Command func() *exec.Cmd // makes what is run; the process must stay in the foreground
	UID     uint32           // the account that runs it where root runs the tests; 0: root
	GID     uint32

	mu     sync.Mutex
	cmd    *exec.Cmd
	exited chan struct{} // closed when the process has been waited for
	log    bytes.Buffer
}

// limit is how long a start or a stop may take before the test fails.
const limit = 20 * time.Second

// Start starts the server and waits until it listens. The test's end ends it.
func (p *Process) Start(t testing.TB) {
	t.Helper()
	cmd := p.Command()
	cmd.Stdout, cmd.Stderr = &writer{p}, &writer{p}
	own(cmd, p.UID, p.GID)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	exited := make(chan struct{})
	go func() {
		defer close(exited)
		_ = cmd.Wait() // a signal is how it is meant to end
	}()
	p.mu.Lock()
	first := p.cmd == nil
	p.cmd, p.exited = cmd, exited
	p.mu.Unlock()
	if first {
		t.Cleanup(func() { p.Kill(t) })
	}
	for end := time.Now().Add(limit); ; {
		if c, err := net.DialTimeout("tcp", p.Addr, time.Second); err == nil {
			c.Close()
			return
		}
		select {
		case <-exited:
			t.Fatalf("the server ended at once:\n%s", p.Log())
		case <-time.After(10 * time.Millisecond):
		}
		if time.Now().After(end) {
			t.Fatalf("the server did not listen within %s:\n%s", limit, p.Log())
		}
	}
}

// Kill ends the server and all that it started, without a chance to finish anything.
func (p *Process) Kill(t testing.TB) {
	t.Helper()
	p.mu.Lock()
	cmd, exited := p.cmd, p.exited
	p.mu.Unlock()
	signalAll(t, cmd.Process.Pid, kill)
	select {
	case <-exited:
	case <-time.After(limit):
		t.Errorf("the server (process %d) did not end within %s", cmd.Process.Pid, limit)
	}
}

// KillServing ends what serves connections, without a chance to finish anything, and leaves the server itself.
func (p *Process) KillServing(t testing.TB) {
	t.Helper()
	for _, child := range descendants(p.Pid()) {
		signalOne(t, child, kill)
	}
}

// Freeze stops the server in its tracks: connections stay open and nothing answers. Thaw lets it go on.
func (p *Process) Freeze(t testing.TB) { p.signal(t, freeze) }

// Thaw ends what Freeze began.
func (p *Process) Thaw(t testing.TB) { p.signal(t, thaw) }

func (p *Process) signal(t testing.TB, s int) {
	t.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	signalAll(t, p.cmd.Process.Pid, s)
}

// Pid is the process id of the server that was started last.
func (p *Process) Pid() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.cmd.Process.Pid
}

// Log is what the server has written so far, over all its lives.
func (p *Process) Log() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.log.String()
}

type writer struct{ p *Process }

func (w *writer) Write(b []byte) (int, error) {
	w.p.mu.Lock()
	defer w.p.mu.Unlock()
	if w.p.log.Len() > 1<<20 {
		return len(b), nil
	}
	return w.p.log.Write(b)
}
