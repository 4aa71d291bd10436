// Package natstest starts real NATS servers with JetStream for tests: one alone or a cluster, on free loopback ports, with throw-away
// configuration and data, each to be stopped, killed, frozen and started again at will. Other test packages import it; no
// program does.
//
//	cluster := natstest.Start(t, natstest.Options{Servers: 3})
//	cluster.Kill(t, 1); cluster.Run(t, 1) // keeps ports and data
//
// Without the program nats-server the test is skipped, unless WEIGHPOST_SERVERS=all: then it fails.
package natstest

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

// Options say how the servers are set up. The zero value is one server that lets everyone in, without TLS.
type Options struct {
	Servers int // 1 if not given
	// Authorization is the content of the block of that name; "" lets everyone in.
	Authorization string
	// CA, Certificate and Key are PEM files: with them clients need TLS; with Verify also a certificate of their own.
	CA, Certificate, Key string
	Verify               bool
	Extra                string // further lines of configuration
}

// Cluster is a set of servers, running or not.
type Cluster struct {
	binary  string
	dir     string
	secure  bool
	servers []*server
}

type server struct {
	name        string
	port, route int
	dir         string

	mu     sync.Mutex
	cmd    *exec.Cmd
	exited chan struct{} // closed when the process has been waited for
	log    bytes.Buffer
}

// limit is how long a start or a stop may take before the test fails.
const limit = 20 * time.Second

// Start starts the servers and has them ended when the test ends.
func Start(t testing.TB, o Options) *Cluster {
	t.Helper()
	c := &Cluster{binary: find(t), dir: t.TempDir(), secure: o.Certificate != ""}
	for i := range max(o.Servers, 1) {
		s := &server{name: fmt.Sprintf("n%d", i), port: freePort(t), route: freePort(t), dir: filepath.Join(c.dir, fmt.Sprintf("n%d", i))}
		if err := os.MkdirAll(s.dir, 0o700); err != nil {
			t.Fatal(err)
		}
		c.servers = append(c.servers, s)
	}
	c.Configure(t, o)
	t.Cleanup(c.cleanUp)
	for i := range c.servers {
		c.Run(t, i)
	}
	return c
}

func find(t testing.TB) string {
	t.Helper()
	for _, name := range []string{"nats-server", "/usr/sbin/nats-server", "/usr/local/sbin/nats-server"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	needs.That(t, false, "the program nats-server")
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

// Configure writes the configuration of each server. It takes effect when a server is started; ports and data stay.
func (c *Cluster) Configure(t testing.TB, o Options) {
	t.Helper()
	for _, s := range c.servers {
		var b strings.Builder
		line := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
		line("server_name: %s\nlisten: \"127.0.0.1:%d\"", s.name, s.port)
		line("jetstream { store_dir: %q, max_memory_store: 64MB, max_file_store: 1GB }", s.dir)
		if len(c.servers) > 1 {
			var routes []string
			for _, other := range c.servers {
				if other != s {
					routes = append(routes, fmt.Sprintf("\"nats://127.0.0.1:%d\"", other.route))
				}
			}
			line("cluster { name: seedbank, listen: \"127.0.0.1:%d\", routes: [%s] }", s.route, strings.Join(routes, ", "))
		}
		if o.Authorization != "" {
			line("authorization { %s }", o.Authorization)
		}
		if o.Certificate != "" {
			line("tls { cert_file: %q, key_file: %q, ca_file: %q, verify: %t }", o.Certificate, o.Key, o.CA, o.Verify)
		}
		line("%s", o.Extra)
		if err := os.WriteFile(filepath.Join(s.dir, "server.conf"), []byte(b.String()), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// URLs are the addresses as a sink's configuration has them, server by server.
func (c *Cluster) URLs() []string {
	scheme := "nats://"
	if c.secure {
		scheme = "tls://"
	}
	var all []string
	for i := range c.servers {
		all = append(all, scheme+c.Addr(i))
	}
	return all
}

// Addr is the address of one server, host:port. It stays the same over restarts.
func (c *Cluster) Addr(i int) string { return fmt.Sprintf("127.0.0.1:%d", c.servers[i].port) }

// PID is the process of one server, for who measures what it takes.
func (c *Cluster) PID(i int) int {
	cmd, _ := c.servers[i].process()
	return cmd.Process.Pid
}

// Dir is the folder that one server keeps its streams in.
func (c *Cluster) Dir(i int) string { return c.servers[i].dir }

// Index gives the place of the server of a name, as the servers themselves tell their names.
func (c *Cluster) Index(name string) int {
	for i, s := range c.servers {
		if s.name == name {
			return i
		}
	}
	return -1
}

// Run starts one server, again after a Stop or a Kill, and returns when it accepts connections.
func (c *Cluster) Run(t testing.TB, i int) {
	t.Helper()
	s := c.servers[i]
	cmd := exec.Command(c.binary, "-c", filepath.Join(s.dir, "server.conf"))
	cmd.Stderr = &logWriter{s}
	if err := cmd.Start(); err != nil {
		t.Fatalf("nats-server cannot be started: %v", err)
	}
	exited := make(chan struct{})
	go func() {
		defer close(exited)
		_ = cmd.Wait() // a signal is how it is meant to end
	}()
	s.mu.Lock()
	s.cmd, s.exited = cmd, exited
	s.mu.Unlock()
	for end := time.Now().Add(limit); ; {
		if conn, err := net.DialTimeout("tcp", c.Addr(i), time.Second); err == nil {
			conn.Close()
			return
		}
		select {
		case <-exited:
			t.Fatalf("nats-server ended at once:\n%s", s.said())
		case <-time.After(5 * time.Millisecond):
		}
		if time.Now().After(end) {
			t.Fatalf("nats-server did not listen within %s:\n%s", limit, s.said())
		}
	}
}

// Stop asks one server to end, and waits for that.
func (c *Cluster) Stop(t testing.TB, i int) {
	t.Helper()
	c.servers[i].end(t, terminate)
}

// Kill ends one server without a chance to write anything.
func (c *Cluster) Kill(t testing.TB, i int) {
	t.Helper()
	c.servers[i].end(t, (*os.Process).Kill)
}

func (s *server) end(t testing.TB, signal func(*os.Process) error) {
	t.Helper()
	cmd, exited := s.process()
	if err := signal(cmd.Process); err != nil && !errors.Is(err, os.ErrProcessDone) {
		t.Fatalf("nats-server (process %d) cannot be ended: %v", cmd.Process.Pid, err)
	}
	select {
	case <-exited:
	case <-time.After(limit):
		t.Fatalf("nats-server (process %d) did not end within %s", cmd.Process.Pid, limit)
	}
}

// Freeze stops one server in its tracks: connections stay open and nothing answers. Thaw lets it go on.
func (c *Cluster) Freeze(t testing.TB, i int) {
	t.Helper()
	cmd, _ := c.servers[i].process()
	if err := freeze(cmd.Process); err != nil {
		t.Fatalf("nats-server (process %d) cannot be frozen: %v", cmd.Process.Pid, err)
	}
	// The signal takes a moment to stop all threads.
	for end := time.Now().Add(2 * time.Second); time.Now().Before(end); time.Sleep(time.Millisecond) {
		stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", cmd.Process.Pid))
		if err != nil || bytes.Contains(stat, []byte(") T ")) { // where there is no /proc, nobody tells
			return
		}
	}
}

// Thaw ends Freeze.
func (c *Cluster) Thaw(t testing.TB, i int) {
	t.Helper()
	cmd, _ := c.servers[i].process()
	if err := thaw(cmd.Process); err != nil {
		t.Fatalf("nats-server (process %d) cannot be thawed: %v", cmd.Process.Pid, err)
	}
}

func (s *server) process() (*exec.Cmd, chan struct{}) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.cmd, s.exited
}

func (c *Cluster) cleanUp() {
	for _, s := range c.servers {
		cmd, exited := s.process()
		if cmd == nil {
			continue
		}
		_ = thaw(cmd.Process)
		_ = cmd.Process.Kill() // it may be gone
		<-exited
	}
}

// said is what a server has logged.
func (s *server) said() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.log.String()
}

type logWriter struct{ s *server }

func (w *logWriter) Write(p []byte) (int, error) {
	w.s.mu.Lock()
	defer w.s.mu.Unlock()
	if w.s.log.Len() < 1<<20 {
		w.s.log.Write(p)
	}
	return len(p), nil
}
