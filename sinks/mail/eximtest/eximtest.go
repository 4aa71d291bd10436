//go:build linux

package eximtest

import (
	"bytes"
	"fmt"
	"net"
	"net/mail"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/needs"
)

// Options say how the server is.
type Options struct {
	Certificate, Key string // PEM files; without them it offers no encryption
	Implicit         bool   // encrypted from the first byte on
	User, Password   string // without them it takes messages from everybody
}

// Server is one exim4, running or not.
type Server struct {
	dir, program string
	port         int
	uid, gid     int

	mu  sync.Mutex
	cmd *exec.Cmd

	seen  map[string]bool    // files that were read
	boxed map[string]Message // by exim's own id
}

const limit = 15 * time.Second

// Start starts a server and has it stopped when the test ends.
func Start(t testing.TB, o Options) *Server {
	t.Helper()
	needs.Root(t, "to run a mail server as its own user")
	program, err := exec.LookPath("exim4")
	if err != nil {
		program, err = exec.LookPath("/usr/sbin/exim4")
	}
	needs.That(t, err == nil, "the program exim4")
	who, err := user.Lookup("Debian-exim")
	needs.That(t, err == nil, "the user Debian-exim")
	s := &Server{dir: t.TempDir(), program: program, port: freePort(t), seen: map[string]bool{}, boxed: map[string]Message{}}
	s.uid, _ = strconv.Atoi(who.Uid)
	s.gid, _ = strconv.Atoi(who.Gid)
	for dir := s.dir; dir != "/" && dir != filepath.Clean(os.TempDir()); dir = filepath.Dir(dir) {
		check(t, os.Chmod(dir, 0o755)) // exim is another user
	}
	for _, name := range []string{"spool", "log", "box", "switch"} {
		check(t, os.Mkdir(filepath.Join(s.dir, name), 0o755))
		check(t, os.Chown(filepath.Join(s.dir, name), s.uid, s.gid))
	}
	check(t, os.WriteFile(filepath.Join(s.dir, "conf"), []byte(s.configuration(t, o)), 0o644))
	t.Cleanup(func() { s.end(syscall.SIGKILL); s.settle() })
	s.Up(t)
	return s
}

func check(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func freePort(t testing.TB) int {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	check(t, err)
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// copyFor gives exim a copy of a file that it may read.
func (s *Server) copyFor(t testing.TB, file, name string) string {
	b, err := os.ReadFile(file)
	check(t, err)
	to := filepath.Join(s.dir, name)
	check(t, os.WriteFile(to, b, 0o600))
	check(t, os.Chown(to, s.uid, s.gid))
	return to
}

// configuration is written after the specification of Exim 4.96: main section, acl (42), routers (15), transports (26), authenticators (34).
func (s *Server) configuration(t testing.TB, o Options) string {
	secured, trusted := "", "accept"
	if o.Certificate != "" {
		secured = fmt.Sprintf("tls_advertise_hosts = *\ntls_certificate = %s\ntls_privatekey = %s\n", s.copyFor(t, o.Certificate, "c.pem"), s.copyFor(t, o.Key, "k.pem"))
	} else {
		secured = "tls_advertise_hosts =\n"
	}
	if o.Implicit {
		secured += fmt.Sprintf("tls_on_connect_ports = %d\n", s.port)
	}
	authenticators := ""
	if o.User != "" {
		trusted = "deny !authenticated = *\n       message = who are you\n  accept"
		good := fmt.Sprintf("${if and{{!exists{%s/switch/deny}}{eq{%%s}{%s}}{eq{%%s}{%s}}}}", s.dir, o.User, o.Password)
		authenticators = "plain:\n  driver = plaintext\n  public_name = PLAIN\n  server_prompts = :\n  server_set_id = $auth2\n  server_condition = " +
			fmt.Sprintf(good, "$auth2", "$auth3") + "\nlogin:\n  driver = plaintext\n  public_name = LOGIN\n  server_prompts = Username:: : Password::\n" +
			"  server_set_id = $auth1\n  server_condition = " + fmt.Sprintf(good, "$auth1", "$auth2") + "\n"
	}
	return strings.NewReplacer("DIR", s.dir, "SECURED", secured, "TRUSTED", trusted, "AUTHENTICATORS", authenticators).Replace(template)
}

const template = `spool_directory = DIR/spool
log_file_path = DIR/log/%s
pid_file_path = DIR/log/pid
keep_environment =
primary_hostname = mail.lab.example
local_interfaces = 127.0.0.1
host_lookup =
rfc1413_query_timeout = 0s
smtp_accept_queue_per_connection = 0
smtp_accept_max = 0
smtp_receive_timeout = 60s
message_body_visible = 100000
auth_advertise_hosts = *
acl_smtp_mail = mail
acl_smtp_rcpt = rcpt
acl_smtp_data = data
SECUREDbegin acl
mail:
  accept
rcpt:
  deny condition = ${if exists{DIR/switch/nobody}}
       message = no such user here
  TRUSTED
data:
  defer condition = ${if exists{DIR/switch/later}}
       message = come again later
  deny condition = ${if and{{exists{DIR/switch/refuse}}{match{$message_body}{${readfile{DIR/switch/refuse}{}}}}}}
       message = nobody wants to hear that
  accept
begin routers
all:
  driver = accept
  transport = box
begin transports
box:
  driver = appendfile
  directory = DIR/box
  maildir_format
  user = Debian-exim
  group = Debian-exim
  envelope_to_add
  batch_max = 100
begin retry
* * F,1h,1m
begin authenticators
AUTHENTICATORS`

// Addr is host:port.
func (s *Server) Addr() string { return net.JoinHostPort("127.0.0.1", strconv.Itoa(s.port)) }

// Up starts the server if it is not up, and waits until it answers.
func (s *Server) Up(t testing.TB) {
	t.Helper()
	check(t, s.run())
	for until := time.Now().Add(limit); ; time.Sleep(10 * time.Millisecond) {
		c, err := net.Dial("tcp", s.Addr())
		if err == nil {
			c.Close()
			return
		}
		if time.Now().After(until) {
			t.Fatalf("exim4 does not answer at %s: %s %s", s.Addr(), s.said(), s.log())
		}
	}
}

// run starts the program. What it says goes to a file: its children outlive it, and hold a pipe open.
func (s *Server) run() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.cmd != nil {
		return nil
	}
	said, err := os.OpenFile(filepath.Join(s.dir, "said"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer said.Close()
	cmd := exec.Command(s.program, "-C", filepath.Join(s.dir, "conf"), "-bdf", "-oX", fmt.Sprintf("<; [127.0.0.1]:%d", s.port))
	cmd.Stdout, cmd.Stderr = said, said
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := cmd.Start(); err != nil {
		return err
	}
	s.cmd = cmd
	return nil
}

// Down stops the server and what it has begun, in good order; Kill does not ask. What it has taken stays in its spool.
func (s *Server) Down() { s.end(syscall.SIGTERM) }

// Kill ends the server and all its children at once.
func (s *Server) Kill() { s.end(syscall.SIGKILL) }

func (s *Server) end(how syscall.Signal) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.cmd == nil {
		return
	}
	_ = syscall.Kill(-s.cmd.Process.Pid, syscall.SIGCONT)
	_ = syscall.Kill(-s.cmd.Process.Pid, how)
	_ = s.cmd.Wait()
	s.cmd = nil
}

// settle ends deliveries that are under way by themselves: exim makes a session of its own for each.
func (s *Server) settle() {
	for until := time.Now().Add(limit); time.Now().Before(until) && len(s.Spooled()) > 0; time.Sleep(20 * time.Millisecond) {
		s.RunQueue()
	}
}

// Freeze has the server stand still until Thaw: it accepts connections and says nothing.
func (s *Server) Freeze() { s.signal(syscall.SIGSTOP) }

// Thaw ends that.
func (s *Server) Thaw() { s.signal(syscall.SIGCONT) }

func (s *Server) signal(sig syscall.Signal) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.cmd != nil {
		_ = syscall.Kill(-s.cmd.Process.Pid, sig)
	}
}

// Switch turns one way to misbehave on, with a text, or off with "": deny (every password), nobody (every receiver), later (every
// message: 451), refuse (messages whose body holds the text: 550).
func (s *Server) Switch(t testing.TB, name, text string) {
	t.Helper()
	file := filepath.Join(s.dir, "switch", name)
	if text == "" {
		_ = os.Remove(file)
		return
	}
	check(t, os.WriteFile(file, []byte(text), 0o644))
}

// RunQueue has exim deliver what its spool holds.
func (s *Server) RunQueue() {
	_ = exec.Command(s.program, "-C", filepath.Join(s.dir, "conf"), "-qff").Run()
}

// Spooled are the names of what is taken and not delivered.
func (s *Server) Spooled() []string {
	list, _ := filepath.Glob(filepath.Join(s.dir, "spool", "input", "*-H"))
	return list
}

func (s *Server) log() string { return s.file("log", "main") }

func (s *Server) said() string { return s.file("said") }

func (s *Server) file(name ...string) string {
	b, _ := os.ReadFile(filepath.Join(append([]string{s.dir}, name...)...))
	return string(b)
}

var taken = regexp.MustCompile(`(?m)^\S+ \S+ (\S+) <= `)

// Taken is how many messages the server has taken so far.
func (s *Server) Taken() int { return len(taken.FindAllStringIndex(s.log(), -1)) }

// Message is one that was delivered to a mailbox.
type Message struct {
	Header mail.Header
	Raw    []byte
}

// Messages are all that the server took, in that order, once each is in its mailbox.
func (s *Server) Messages(t testing.TB) (list []Message) {
	t.Helper()
	var ids [][]string
	for until, tries := time.Now().Add(limit), 0; ; time.Sleep(10 * time.Millisecond) {
		ids = taken.FindAllStringSubmatch(s.log(), -1)
		s.read(t, s.boxed)
		if len(s.boxed) >= len(ids) && len(s.Spooled()) == 0 {
			break
		}
		if tries++; tries%30 == 0 { // what a server was stopped or killed over
			s.RunQueue()
		}
		if time.Now().After(until) {
			t.Fatalf("%d of %d messages are in the mailbox, and these are spooled: %q: %s %s", len(s.boxed), len(ids), s.Spooled(), s.log(), s.file("log", "panic"))
		}
	}
	for _, id := range ids {
		list = append(list, s.boxed[id[1]])
	}
	return list
}

var received = regexp.MustCompile(`\bid ([\w-]+)`)

func (s *Server) read(t testing.TB, byID map[string]Message) {
	files, _ := filepath.Glob(filepath.Join(s.dir, "box", "new", "*"))
	for _, file := range files {
		if s.seen[file] {
			continue
		}
		raw, err := os.ReadFile(file)
		check(t, err)
		m, err := mail.ReadMessage(bytes.NewReader(raw))
		if err != nil {
			t.Fatalf("%s is no message: %v", file, err)
		}
		if id := received.FindStringSubmatch(m.Header.Get("Received")); id != nil {
			byID[id[1]], s.seen[file] = Message{m.Header, raw}, true
		}
	}
}
