//go:build unix

package pgtest

import (
	"os"
	"os/user"
	"strconv"
	"syscall"
	"testing"
)

// nobody is who runs the server where root runs the tests; nil where somebody else does.
func nobody() *syscall.Credential {
	if os.Geteuid() != 0 {
		return nil
	}
	u, err := user.Lookup("nobody")
	if err != nil {
		return &syscall.Credential{Uid: 65534, Gid: 65534}
	}
	uid, _ := strconv.ParseUint(u.Uid, 10, 32)
	gid, _ := strconv.ParseUint(u.Gid, 10, 32)
	return &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
}

func asNobody() *syscall.SysProcAttr { return &syscall.SysProcAttr{Credential: nobody()} }

// own gives files to who runs the server.
func own(t testing.TB, paths ...string) {
	t.Helper()
	who := nobody()
	for _, p := range paths {
		if who == nil {
			return
		}
		if err := os.Chown(p, int(who.Uid), int(who.Gid)); err != nil {
			t.Fatal(err)
		}
	}
}

func interrupt(p *os.Process) error { return p.Signal(syscall.SIGINT) }  // "fast": sessions are ended, what is committed is written
func quit(p *os.Process) error      { return p.Signal(syscall.SIGQUIT) } // "immediate"
func freeze(p *os.Process) error    { return p.Signal(syscall.SIGSTOP) }
func thaw(p *os.Process) error      { return p.Signal(syscall.SIGCONT) }
