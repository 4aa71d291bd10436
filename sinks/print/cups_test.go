//go:build unix

package print

import (
	"bytes"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/needs"
)

// spoolerd is a real print server (CUPS) of its own: throw-away folders, a loopback port, one queue named lab before a printer
// that takes bytes over TCP.
type spoolerd struct {
	address string
	dir     string
	printer *paper
	cmd     *exec.Cmd
}

const cupsdConf = `Listen %s
DefaultAuthType None
WebInterface No
Browsing No
LogLevel info
JobRetryInterval 1
DirtyCleanInterval 0
<Location />
  Order allow,deny
  Allow all
</Location>
<Policy default>
  <Limit All>
    Order deny,allow
    Allow all
  </Limit>
</Policy>
`

const cupsFilesConf = `ServerRoot %[1]s/root
RequestRoot %[1]s/spool
CacheDir %[1]s/cache
StateDir %[1]s/state
ErrorLog %[1]s/log/error
AccessLog %[1]s/log/access
PageLog %[1]s/log/page
SystemGroup root
User lp
Group lp
Sandboxing relaxed
`

func startSpooler(t testing.TB) *spoolerd {
	t.Helper()
	needs.Root(t, "a print server of its own")
	needs.Programs(t, "cupsd", "lp", "lpadmin", "lpstat", "cupsdisable", "cancel")
	dir, err := os.MkdirTemp("", "weighpost-spool-") // the spooler's own user has to come in
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	s := &spoolerd{address: needs.FreeAddress(t), dir: dir, printer: startPaper(t)}
	lp, err := user.Lookup("lp")
	if err != nil {
		t.Fatal(err)
	}
	uid, _ := strconv.Atoi(lp.Uid)
	gid, _ := strconv.Atoi(lp.Gid)
	os.Chmod(dir, 0o755)
	for _, sub := range []string{"root", "spool", "cache", "state", "log"} {
		path := filepath.Join(dir, sub)
		if err := os.Mkdir(path, 0o755); err != nil {
			t.Fatal(err)
		}
		os.Chown(path, uid, gid)
	}
	os.WriteFile(filepath.Join(dir, "cupsd.conf"), fmt.Appendf(nil, cupsdConf, s.address), 0o644)
	os.WriteFile(filepath.Join(dir, "cups-files.conf"), fmt.Appendf(nil, cupsFilesConf, dir), 0o644)
	s.start(t)
	t.Cleanup(func() { s.kill(t) })
	s.must(t, "lpadmin", "-p", "lab", "-E", "-v", "socket://"+s.printer.address+"/", "-o", "printer-error-policy=retry-job")
	return s
}

func (s *spoolerd) start(t testing.TB) {
	t.Helper()
	s.cmd = exec.Command("cupsd", "-f", "-c", filepath.Join(s.dir, "cupsd.conf"), "-s", filepath.Join(s.dir, "cups-files.conf"))
	var said bytes.Buffer
	s.cmd.Stderr = &said
	s.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	s.cmd.WaitDelay = time.Second
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	for range 400 {
		if c, err := net.Dial("tcp", s.address); err == nil {
			c.Close()
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Fatalf("cupsd does not listen: %s", said.String())
}

// kill ends the server and its own children, as a power cut would.
func (s *spoolerd) kill(t testing.TB) {
	if s.cmd == nil {
		return
	}
	_ = syscall.Kill(-s.cmd.Process.Pid, syscall.SIGKILL)
	_ = s.cmd.Wait()
	s.cmd = nil
}

func (s *spoolerd) must(t testing.TB, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, append([]string{"-h", s.address}, args...)...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %v: %s", name, err, out)
	}
	return string(out)
}

// paper is a printer: it keeps what it is sent.
type paper struct {
	address  string
	listener net.Listener
	mu       sync.Mutex
	jobs     [][]byte
	jam      bool // it reads nothing
	reset    bool // it goes away in mid-job
	changed  *sync.Cond
}

func startPaper(t testing.TB) *paper {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &paper{address: l.Addr().String(), listener: l}
	p.changed = sync.NewCond(&p.mu)
	var all sync.WaitGroup
	all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			all.Go(func() { p.job(c) })
		}
	})
	t.Cleanup(func() {
		l.Close()
		p.set(func() { p.jam = false })
		all.Wait()
	})
	return p
}

func (p *paper) set(change func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	change()
	p.changed.Broadcast()
}

func (p *paper) job(c net.Conn) {
	defer c.Close()
	p.mu.Lock()
	for p.jam {
		p.changed.Wait()
	}
	reset := p.reset
	p.mu.Unlock()
	if reset {
		b := make([]byte, 8)
		c.Read(b)
		c.(*net.TCPConn).SetLinger(0)
		return
	}
	c.SetReadDeadline(time.Now().Add(20 * time.Second))
	b, err := io.ReadAll(c)
	if err == nil && len(b) > 0 {
		p.set(func() { p.jobs = append(p.jobs, b) })
	}
}

func (p *paper) printed() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	var all []string
	for _, b := range p.jobs {
		all = append(all, string(b))
	}
	return all
}

// wait waits until so many jobs are printed.
func (p *paper) wait(t testing.TB, n int) []string {
	t.Helper()
	for range 1500 {
		if list := p.printed(); len(list) >= n {
			return list
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Fatalf("only %d of %d were printed: %.300s", len(p.printed()), n, strings.Join(p.printed(), "\n"))
	return nil
}
