// Package samba starts a real smbd (Samba) for tests: on a free loopback port, with a configuration, users and state of its own,
// to be killed, frozen and started again at will. It writes to no place of the system. Only tests import it.
//
// Without the programs, or without root, which smbd needs to become the user of the share, the test is skipped, unless
// WEIGHPOST_SERVERS=all: then it fails.
package samba

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/needs"
	"weighpost/sinks/folder/foldertest"
)

// What every server has.
const (
	User     = "nobody" // an account that every system has
	Password = "barley-4410"
	Share    = "weighings"
)

// Server is one smbd with one share.
type Server struct {
	*foldertest.Process
	Dir string // the folder on the disk that is shared
	dir string
}

// Start starts a server. dir is the folder to share, "" for a fresh one; global and share are further lines of smb.conf(5) for
// those sections.
func Start(t testing.TB, dir, global, share string) *Server {
	t.Helper()
	needs.Root(t, "to run smbd")
	smbd := find(t, "smbd", "/usr/sbin/smbd")
	s := &Server{Process: &foldertest.Process{Addr: needs.FreeAddress(t)}, Dir: dir, dir: foldertest.Memory(t)}
	if s.Dir == "" {
		s.Dir = foldertest.Memory(t)
	}
	s.open(t, s.Dir)
	conf := s.configure(t, global, share)
	s.addUser(t, conf)
	s.Command = func() *exec.Cmd {
		return exec.Command(smbd, "--foreground", "--no-process-group", "--debug-stdout", "--configfile="+conf)
	}
	s.Process.Start(t)
	return s
}

// open lets the user of the share write to a folder, and reach it.
func (s *Server) open(t testing.TB, dir string) {
	t.Helper()
	if err := os.Chmod(dir, 0o777); err != nil {
		t.Fatal(err)
	}
}

func find(t testing.TB, names ...string) string {
	t.Helper()
	for _, name := range names {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	needs.That(t, false, "the program "+names[0])
	return ""
}

func (s *Server) configure(t testing.TB, global, share string) string {
	t.Helper()
	_, port, _ := strings.Cut(s.Addr, ":")
	var c strings.Builder
	fmt.Fprintf(&c, "[global]\nserver role = standalone server\nsecurity = user\nmap to guest = never\npassdb backend = tdbsam:%s/passdb.tdb\n", s.dir)
	for _, kind := range []string{"private dir", "lock directory", "state directory", "cache directory", "pid directory", "ncalrpc dir", "binddns dir"} {
		dir := filepath.Join(s.dir, strings.ReplaceAll(kind, " ", "-"))
		if err := os.Mkdir(dir, 0o755); err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&c, "%s = %s\n", kind, dir)
	}
	fmt.Fprintf(&c, "smb ports = %s\ninterfaces = 127.0.0.1\nbind interfaces only = yes\nserver min protocol = SMB2\ndisable netbios = yes\n", port)
	fmt.Fprintf(&c, "load printers = no\nprinting = bsd\nprintcap name = /dev/null\ndisable spoolss = yes\nusershare max shares = 0\nmulticast dns register = no\n")
	fmt.Fprintf(&c, "log file = /dev/stdout\nlog level = 0\n%s\n[%s]\npath = %s\nread only = no\n%s\n", global, Share, s.Dir, share)
	conf := filepath.Join(s.dir, "smb.conf")
	if err := os.WriteFile(conf, []byte(c.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	return conf
}

func (s *Server) addUser(t testing.TB, conf string) {
	t.Helper()
	cmd := exec.Command(find(t, "smbpasswd"), "-c", conf, "-s", "-a", User)
	cmd.Stdin = strings.NewReader(Password + "\n" + Password + "\n")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("smbpasswd: %v: %s", err, out)
	}
}
