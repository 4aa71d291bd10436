// Package mosquitto starts a real mosquitto for tests: on a free loopback port, with a throw-away configuration and data,
// to be stopped, killed, frozen and started again at will. Other test packages import it; no program does.
//
//	broker := mosquitto.Start(t, mosquitto.Options{})
//	broker.Stop(t); broker.Start(t) // keeps port, retained messages and sessions
//
// Without the program mosquitto the test is skipped, unless WEIGHPOST_SERVERS=all: then it fails.
package mosquitto

import (
	"bytes"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/needs"
)

// Options says how the broker is set up. The zero value lets everyone in and do everything, without TLS.
type Options struct {
	Users map[string]string // name to password; with it nobody comes in without
	ACL   string            // contents of the access list; "" for none
	TLS   *Certificates     // with it the listener speaks TLS only
	// ClientCertificates makes the broker ask for a certificate from TLS.CAFile.
	ClientCertificates bool
	Extra              string // further lines of configuration
}

// Broker is one mosquitto, running or not.
type Broker struct {
	port   int
	secure bool
	dir    string
	binary string

	mu     sync.Mutex
	cmd    *exec.Cmd
	exited chan struct{} // closed when the process has been waited for
	log    bytes.Buffer
}

// limit is how long a start or a stop may take before the test fails.
const limit = 15 * time.Second

// Start starts a broker and has it stopped when the test ends.
func Start(t testing.TB, o Options) *Broker {
	t.Helper()
	b := &Broker{binary: find(t, places), dir: t.TempDir(), port: freePort(t), secure: o.TLS != nil}
	b.Configure(t, o)
	t.Cleanup(b.cleanUp)
	b.Start(t)
	return b
}

// places are where the program is looked for: distributions put it where only root has a PATH to.
var places = []string{"mosquitto", "/usr/sbin/mosquitto", "/usr/local/sbin/mosquitto"}

// find gives the path of the program, or skips or fails the test.
func find(t testing.TB, places []string) string {
	t.Helper()
	for _, name := range places {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	needs.That(t, false, "the program mosquitto")
	return ""
}

func freePort(t testing.TB) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// Configure writes mosquitto.conf(5) and what it refers to. It takes effect at the next Start; port and data stay, and so
// does whether the listener speaks TLS.
func (b *Broker) Configure(t testing.TB, o Options) {
	t.Helper()
	var c strings.Builder
	line := func(format string, a ...any) { fmt.Fprintf(&c, format+"\n", a...) }
	line("listener %d 127.0.0.1", b.port)
	line("allow_anonymous %t", len(o.Users) == 0)
	line("persistence true")
	line("persistence_location %s/", b.dir)
	line("log_dest stderr")
	// A subscriber that is away loses nothing. Not 0 for unlimited: mosquitto 2.0.11 then closes the connection of whoever
	// publishes what the access list forbids.
	line("max_queued_messages 10000000")
	if os.Geteuid() == 0 {
		line("user root") // or it gives up its rights and cannot read the folder
	}
	if len(o.Users) > 0 {
		line("password_file %s", b.passwords(t, o.Users))
	}
	if o.ACL != "" {
		line("acl_file %s", b.write(t, "acl", o.ACL))
	}
	if o.TLS != nil {
		line("cafile %s\ncertfile %s\nkeyfile %s", o.TLS.CAFile, o.TLS.ServerCertificate, o.TLS.ServerKey)
		line("require_certificate %t", o.ClientCertificates)
	}
	line("%s", o.Extra)
	b.write(t, "mosquitto.conf", c.String())
}

func (b *Broker) write(t testing.TB, name, text string) string {
	t.Helper()
	path := filepath.Join(b.dir, name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// passwords writes a password file and has mosquitto's own tool hash it.
func (b *Broker) passwords(t testing.TB, users map[string]string) string {
	t.Helper()
	var text strings.Builder
	for name, password := range users {
		fmt.Fprintf(&text, "%s:%s\n", name, password)
	}
	path := b.write(t, "passwords", text.String())
	if out, err := exec.Command("mosquitto_passwd", "-U", path).CombinedOutput(); err != nil {
		t.Fatalf("mosquitto_passwd: %v: %s", err, out)
	}
	return path
}

// Addr is the address of the broker, host:port. It stays the same over restarts.
func (b *Broker) Addr() string { return fmt.Sprintf("127.0.0.1:%d", b.port) }

// URL is the address as a sink's configuration has it.
func (b *Broker) URL() string {
	if b.secure {
		return "mqtts://" + b.Addr()
	}
	return "mqtt://" + b.Addr()
}

// Start starts the broker, again after a Stop or a Kill, and returns when it accepts connections.
func (b *Broker) Start(t testing.TB) {
	t.Helper()
	cmd := exec.Command(b.binary, "-c", filepath.Join(b.dir, "mosquitto.conf"))
	cmd.Stderr = &logWriter{b}
	if err := cmd.Start(); err != nil {
		t.Fatalf("mosquitto cannot be started: %v", err)
	}
	exited := make(chan struct{})
	go func() {
		defer close(exited)
		_ = cmd.Wait() // a signal is how it is meant to end
	}()
	b.mu.Lock()
	b.cmd, b.exited = cmd, exited
	b.mu.Unlock()
	for end := time.Now().Add(limit); ; {
		if c, err := net.DialTimeout("tcp", b.Addr(), time.Second); err == nil {
			c.Close()
			return
		}
		select {
		case <-exited:
			t.Fatalf("mosquitto ended at once:\n%s", b.Log())
		case <-time.After(5 * time.Millisecond):
		}
		if time.Now().After(end) {
			t.Fatalf("mosquitto did not listen within %s:\n%s", limit, b.Log())
		}
	}
}

// Stop asks the broker to end, which makes it write its sessions and retained messages, and waits for that.
func (b *Broker) Stop(t testing.TB) {
	t.Helper()
	b.end(t, func(p *os.Process) error { return terminate(p) })
}

// Kill ends the broker without a chance to write anything. What it had acknowledged and not yet passed on is lost.
func (b *Broker) Kill(t testing.TB) {
	t.Helper()
	b.end(t, func(p *os.Process) error { return p.Kill() })
}

func (b *Broker) end(t testing.TB, signal func(*os.Process) error) {
	t.Helper()
	cmd, exited := b.process()
	if err := signal(cmd.Process); err != nil && !errors.Is(err, os.ErrProcessDone) {
		t.Fatalf("mosquitto (process %d) cannot be ended: %v", cmd.Process.Pid, err)
	}
	// mosquitto 2.0.11 listens before it is ready to be told to end, and forgets a signal that comes in between (54 of 60
	// that followed the first connection at once): it is told again until it has gone.
	again := time.NewTicker(200 * time.Millisecond)
	defer again.Stop()
	for end := time.Now().Add(limit); time.Now().Before(end); {
		select {
		case <-exited:
			return
		case <-again.C:
			_ = signal(cmd.Process) // it may just have gone
		}
	}
	t.Fatalf("mosquitto (process %d) did not end within %s", cmd.Process.Pid, limit)
}

// Freeze stops the broker in its tracks: connections stay open and nothing answers. Thaw lets it go on.
func (b *Broker) Freeze(t testing.TB) {
	t.Helper()
	cmd, _ := b.process()
	if err := freeze(cmd.Process); err != nil {
		t.Fatalf("mosquitto (process %d) cannot be frozen: %v", cmd.Process.Pid, err)
	}
}

// Thaw ends what Freeze began.
func (b *Broker) Thaw(t testing.TB) {
	t.Helper()
	cmd, _ := b.process()
	if err := thaw(cmd.Process); err != nil {
		t.Fatalf("mosquitto (process %d) cannot be thawed: %v", cmd.Process.Pid, err)
	}
}

// Pid is the process id of the broker that was started last.
func (b *Broker) Pid() int {
	cmd, _ := b.process()
	return cmd.Process.Pid
}

func (b *Broker) process() (*exec.Cmd, <-chan struct{}) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.cmd, b.exited
}

// Log is what the broker has written to its log so far, over all its lives.
func (b *Broker) Log() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.log.String()
}

// cleanUp ends the process, frozen or not.
func (b *Broker) cleanUp() {
	cmd, exited := b.process()
	if cmd == nil || cmd.Process == nil {
		return
	}
	_ = cmd.Process.Kill() // it may have ended already
	<-exited
}

type logWriter struct{ b *Broker }

func (w *logWriter) Write(p []byte) (int, error) {
	w.b.mu.Lock()
	defer w.b.mu.Unlock()
	return w.b.log.Write(p)
}
