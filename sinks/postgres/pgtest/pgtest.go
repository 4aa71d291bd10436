// Package pgtest starts a real PostgreSQL for tests: on a free loopback port, with throw-away data, with fsync on, to be stopped, killed,
// frozen and started again at will. Other test packages import it; no program does.
//
//	server := pgtest.Start(t, pgtest.Options{})
//	server.Kill(t); server.Run(t) // keeps port and data
//
// Without the programs of PostgreSQL the test is skipped, unless WEIGHPOST_SERVERS=all: then it fails.
package pgtest

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/needs"
)

// Keeper is the role that owns everything, and its password.
const (
	Keeper   = "keeper"
	Password = "poppy seed"
)

// Options say how the server is set up.
type Options struct {
	// CA, Certificate and Key are PEM files: with them the server has TLS, and takes nothing else; with Verify it asks for a certificate too.
	CA, Certificate, Key string
	Verify               bool
	Settings             []string // further "name=value"
}

// Server is one PostgreSQL, running or not.
type Server struct {
	dir  string
	bin  string
	port int
	args []string

	mu     sync.Mutex
	cmd    *exec.Cmd
	exited chan struct{}
	log    bytes.Buffer
}

// limit is how long a start or a stop may take before the test fails.
const limit = 30 * time.Second

// Start makes a database, starts a server for it, and has both gone when the test ends.
func Start(t testing.TB, o Options) *Server {
	t.Helper()
	s := &Server{bin: find(t), port: freePort(t)}
	root, err := os.MkdirTemp("", "weighpost-pg-") // another user has to reach it, which he cannot below t.TempDir
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(root) })
	s.dir = filepath.Join(root, "data")
	secret := filepath.Join(root, "password")
	if err := os.WriteFile(secret, []byte(Password), 0o600); err != nil {
		t.Fatal(err)
	}
	own(t, root, secret)
	s.command(t, "initdb", "-D", s.dir, "-U", Keeper, "--pwfile", secret, "-A", "scram-sha-256", "-E", "UTF8", "--locale=C", "-N", "--no-instructions")
	s.args = []string{"-D", s.dir, "-p", fmt.Sprint(s.port)}
	for _, set := range append([]string{"listen_addresses=127.0.0.1", "unix_socket_directories=" + root, "fsync=on", "max_connections=20",
		"shared_buffers=16MB"}, o.Settings...) {
		s.args = append(s.args, "-c", set)
	}
	if o.Certificate != "" {
		s.secure(t, o)
	}
	t.Cleanup(s.cleanUp)
	s.Run(t)
	return s
}

func (s *Server) secure(t testing.TB, o Options) {
	t.Helper()
	for name, from := range map[string]string{"ca.pem": o.CA, "server.pem": o.Certificate, "server.key": o.Key} {
		b, err := os.ReadFile(from)
		if err != nil {
			t.Fatal(err)
		}
		to := filepath.Join(s.dir, name)
		if err := os.WriteFile(to, b, 0o600); err != nil {
			t.Fatal(err)
		}
		own(t, to)
	}
	line := "hostssl all all 127.0.0.1/32 scram-sha-256"
	if o.Verify {
		line += " clientcert=verify-ca"
	}
	hba := filepath.Join(s.dir, "pg_hba.conf")
	if err := os.WriteFile(hba, []byte(line+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, set := range []string{"ssl=on", "ssl_ca_file=ca.pem", "ssl_cert_file=server.pem", "ssl_key_file=server.key"} {
		s.args = append(s.args, "-c", set)
	}
}

// find gives the folder with the programs of the newest version.
func find(t testing.TB) string {
	t.Helper()
	all, _ := filepath.Glob("/usr/lib/postgresql/*/bin/initdb")
	if len(all) == 0 {
		if path, err := exec.LookPath("initdb"); err == nil {
			all = append(all, path)
		}
	}
	needs.That(t, len(all) > 0, "the programs of PostgreSQL")
	return filepath.Dir(slices.Max(all))
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

// command runs a program as somebody who is not root, which PostgreSQL refuses to be.
func (s *Server) command(t testing.TB, name string, args ...string) {
	t.Helper()
	cmd := exec.Command(filepath.Join(s.bin, name), args...)
	cmd.Dir, cmd.SysProcAttr = "/", asNobody()
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", name, err, out)
	}
}

// Addr is host:port. It stays the same over restarts.
func (s *Server) Addr() string { return fmt.Sprintf("127.0.0.1:%d", s.port) }

// Run starts the server, again after a Stop or a Kill, and returns when it answers.
func (s *Server) Run(t testing.TB) {
	t.Helper()
	for end := time.Now().Add(limit); ; time.Sleep(50 * time.Millisecond) {
		if s.run(t) {
			return
		}
		if time.Now().After(end) { // after a kill its children need a moment to notice, and it does not start before
			t.Fatalf("PostgreSQL did not start within %s:\n%s", limit, s.said())
		}
	}
}

// run says whether the server is up; false where it ended at once.
func (s *Server) run(t testing.TB) bool {
	t.Helper()
	cmd := exec.Command(filepath.Join(s.bin, "postgres"), s.args...)
	cmd.Dir, cmd.SysProcAttr, cmd.Stderr = "/", asNobody(), &logWriter{s}
	if err := cmd.Start(); err != nil {
		t.Fatalf("postgres cannot be started: %v", err)
	}
	exited := make(chan struct{})
	go func() {
		defer close(exited)
		_ = cmd.Wait() // a signal is how it is meant to end
	}()
	s.mu.Lock()
	s.cmd, s.exited = cmd, exited
	s.mu.Unlock()
	for end := time.Now().Add(limit); time.Now().Before(end); {
		ready := exec.Command(filepath.Join(s.bin, "pg_isready"), "-q", "-h", "127.0.0.1", "-p", fmt.Sprint(s.port))
		if ready.Run() == nil {
			return true
		}
		select {
		case <-exited:
			return false
		case <-time.After(10 * time.Millisecond):
		}
	}
	return false
}

// Stop asks the server to end, and waits for that.
func (s *Server) Stop(t testing.TB) { t.Helper(); s.end(t, interrupt) }

// Kill ends the server without a chance to write anything.
func (s *Server) Kill(t testing.TB) { t.Helper(); s.end(t, (*os.Process).Kill) }

func (s *Server) end(t testing.TB, signal func(*os.Process) error) {
	t.Helper()
	cmd, exited := s.process()
	_ = signal(cmd.Process) // it may be gone
	select {
	case <-exited:
	case <-time.After(limit):
		t.Fatalf("postgres (process %d) did not end within %s:\n%s", cmd.Process.Pid, limit, s.said())
	}
}

// Freeze stops the server and all sessions in their tracks: connections stay open and nothing answers. Thaw lets them go on.
func (s *Server) Freeze(t testing.TB) {
	t.Helper()
	s.each(t, freeze)
	time.Sleep(100 * time.Millisecond) // the signals take a moment
}

// Thaw ends Freeze.
func (s *Server) Thaw(t testing.TB) { t.Helper(); s.each(t, thaw) }

func (s *Server) each(t testing.TB, signal func(*os.Process) error) {
	t.Helper()
	cmd, _ := s.process()
	for _, pid := range append([]int{cmd.Process.Pid}, children(cmd.Process.Pid)...) {
		if p, err := os.FindProcess(pid); err == nil {
			_ = signal(p) // it may just have ended
		}
	}
}

// children are the processes whose parent is a process.
func children(parent int) (list []int) {
	stats, _ := filepath.Glob("/proc/[0-9]*/stat")
	for _, path := range stats {
		b, err := os.ReadFile(path)
		if err != nil {
			continue
		}
		var pid, of int
		var state string
		after := b[bytes.LastIndexByte(b, ')')+1:]
		if _, err := fmt.Sscan(string(after), &state, &of); err != nil || of != parent {
			continue
		}
		if _, err := fmt.Sscan(strings.Fields(string(b))[0], &pid); err == nil {
			list = append(list, pid)
		}
	}
	return list
}

func (s *Server) process() (*exec.Cmd, chan struct{}) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.cmd, s.exited
}

func (s *Server) cleanUp() {
	cmd, exited := s.process()
	if cmd == nil {
		return
	}
	for _, pid := range append(children(cmd.Process.Pid), cmd.Process.Pid) {
		if p, err := os.FindProcess(pid); err == nil {
			_ = thaw(p)
		}
	}
	_ = quit(cmd.Process)
	select {
	case <-exited:
	case <-time.After(5 * time.Second):
		_ = cmd.Process.Kill()
		<-exited
	}
}

func (s *Server) said() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.log.String()
}

type logWriter struct{ s *Server }

func (w *logWriter) Write(p []byte) (int, error) {
	w.s.mu.Lock()
	defer w.s.mu.Unlock()
	if w.s.log.Len() < 1<<20 {
		w.s.log.Write(p)
	}
	return len(p), nil
}
