// Package sshd starts a real sshd (OpenSSH) with its SFTP server for tests: on a free loopback port, with a configuration and keys
// of its own, to be killed, frozen and started again at will. It writes to no place of the system. Only tests import it.
//
// Without the program the test is skipped, unless WEIGHPOST_SERVERS=all: then it fails.
package sshd

import (
	"crypto/ed25519"
	"crypto/rand"
	"crypto/rsa"
	"encoding/pem"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"testing"

	"golang.org/x/crypto/ssh"

	"weighpost/gateway/needs"
	"weighpost/sinks/folder/foldertest"
)

// Server is one sshd. Its files are those of the account that runs it: daemon where root runs the tests.
type Server struct {
	*foldertest.Process
	Dir  string // the folder that deliveries go to
	User string
	Key  string // file of the private key that the user signs in with
	// HostKey and HostRSA are the fingerprints of its two keys.
	HostKey, HostRSA string
	dir              string
	uid, gid         int
}

// Start starts a server. dir is the folder for deliveries, "" for a fresh one; extra is further lines of sshd_config(5).
func Start(t testing.TB, dir, extra string) *Server {
	t.Helper()
	program, err := exec.LookPath("/usr/sbin/sshd")
	needs.That(t, err == nil, "the program sshd")
	s := &Server{Process: &foldertest.Process{Addr: needs.FreeAddress(t)}, Dir: dir, dir: foldertest.Memory(t)}
	if s.Dir == "" {
		s.Dir = foldertest.Memory(t)
	}
	s.account(t)
	s.own(t, s.Dir)
	s.own(t, s.dir)
	s.NewHostKey(t)
	rsaKey, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	s.HostRSA = s.keep(t, "host_rsa", rsaKey)
	conf := s.configure(t, extra)
	s.Command = func() *exec.Cmd { return exec.Command(program, "-D", "-e", "-f", conf) }
	s.Process.Start(t)
	return s
}

// account finds who runs the server.
func (s *Server) account(t testing.TB) {
	t.Helper()
	who, err := user.Current()
	if err == nil && os.Geteuid() == 0 {
		who, err = user.Lookup("daemon")
	}
	if err != nil {
		t.Fatal(err)
	}
	s.User = who.Username
	s.uid, _ = strconv.Atoi(who.Uid)
	s.gid, _ = strconv.Atoi(who.Gid)
	s.UID, s.GID = uint32(s.uid), uint32(s.gid)
}

func (s *Server) own(t testing.TB, path string) {
	t.Helper()
	if err := os.Chown(path, s.uid, s.gid); err != nil {
		t.Fatal(err)
	}
}

// NewHostKey gives the server another key, which it shows from its next start on.
func (s *Server) NewHostKey(t testing.TB) {
	t.Helper()
	_, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	s.HostKey = s.keep(t, "host_ed25519", key)
}

// keep writes a private key and gives the fingerprint of the public one.
func (s *Server) keep(t testing.TB, name string, key any) string {
	t.Helper()
	block, err := ssh.MarshalPrivateKey(key, "")
	if err != nil {
		t.Fatal(err)
	}
	signer, err := ssh.NewSignerFromKey(key)
	if err != nil {
		t.Fatal(err)
	}
	s.write(t, name, pem.EncodeToMemory(block))
	return ssh.FingerprintSHA256(signer.PublicKey())
}

func (s *Server) write(t testing.TB, name string, text []byte) string {
	t.Helper()
	path := filepath.Join(s.dir, name)
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	s.own(t, path)
	return path
}

func (s *Server) configure(t testing.TB, extra string) string {
	t.Helper()
	_, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	s.keep(t, "user", key)
	s.Key = filepath.Join(s.dir, "user")
	public, err := ssh.NewPublicKey(key.Public())
	if err != nil {
		t.Fatal(err)
	}
	authorized := s.write(t, "authorized_keys", ssh.MarshalAuthorizedKey(public))
	text := fmt.Sprintf("ListenAddress %s\nHostKey %s\nHostKey %s\nPidFile none\nUsePAM no\nStrictModes no\nAuthorizedKeysFile %s\n"+
		"PasswordAuthentication no\nKbdInteractiveAuthentication no\nSubsystem sftp internal-sftp\nForceCommand internal-sftp\nMaxStartups 100\nMaxSessions 100\n%s\n",
		s.Addr, filepath.Join(s.dir, "host_ed25519"), filepath.Join(s.dir, "host_rsa"), authorized, extra)
	return s.write(t, "sshd_config", []byte(text))
}

// TurnAway has the server know the user's key no longer, or know it again.
func (s *Server) TurnAway(t testing.TB, on bool) {
	t.Helper()
	known, hidden := filepath.Join(s.dir, "authorized_keys"), filepath.Join(s.dir, "hidden_keys")
	if !on {
		known, hidden = hidden, known
	}
	if err := os.Rename(known, hidden); err != nil {
		t.Fatal(err)
	}
}
