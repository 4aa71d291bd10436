package sftp

import (
	"crypto/ed25519"
	"crypto/rand"
	"errors"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/pkg/sftp"
	"golang.org/x/crypto/ssh"

	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/folder/foldertest"
	"weighpost/sinks/sftp/sshd"
	"weighpost/sinks/sinktest"
)

// TestOnlyAKnownServerGetsAnything.
func TestOnlyAKnownServerGetsAnything(t *testing.T) {
	far := sshd.Start(t, "", "")
	entries := sinktest.Weighings(4, 1)
	for i, pins := range [][]string{{far.HostRSA}, {far.HostKey}, {"SHA256:" + strings.Repeat("A", 43), far.HostRSA}} {
		deliver(t, open(t, configured(t, far, far.Addr, func(c *Config) { c.HostKeys = pins })), entries[i:i+1])
	}
	s := open(t, configured(t, far, far.Addr, nil))
	deliver(t, s, entries[:3])
	far.Kill(t)
	old := far.HostKey
	far.NewHostKey(t)
	far.Start(t)
	var err error
	for range 2 { // the first may only notice that the connection is gone
		_, err = s.Deliver(t.Context(), entries[3:])
	}
	var unusable sinks.Unusable
	if !errors.As(err, &unusable) || !strings.Contains(err.Error(), "shows the key "+far.HostKey) || !strings.Contains(err.Error(), "somebody may have taken its place") || old == far.HostKey {
		t.Errorf("a changed key: %v", err)
	}
	foldertest.Whole(t, far.Dir, entries[:3])
	if log := far.Log(); strings.Count(log, "Accepted publickey") != 4 {
		t.Errorf("whom the server let in: %s", log)
	}
}

// TestAServerWithAPasswordAndNoFlush is pkg/sftp's own server behind golang.org/x/crypto/ssh: it takes a password, asked for in
// the second of two ways, and knows no fsync@openssh.com.
func TestAServerWithAPasswordAndNoFlush(t *testing.T) {
	address, fingerprint := plainServer(t, "rye-0007")
	dir := t.TempDir()
	t.Setenv("WEIGHPOST_TEST_SFTP_PASSWORD", "rye-0007")
	c := Default()
	c.Server, c.Path, c.User, c.HostKeys, c.Timeout = address, dir, "bench", []string{fingerprint}, strict.Duration(5*time.Second)
	var err error
	if c.Password, err = strict.SecretFrom("env:WEIGHPOST_TEST_SFTP_PASSWORD"); err != nil {
		t.Fatal(err)
	}
	s := open(t, c)
	entries := sinktest.Weighings(20, 1)
	deliver(t, s, entries)
	deliver(t, s, entries)
	foldertest.Whole(t, dir, entries)
	_ = s.Close()
	t.Setenv("WEIGHPOST_TEST_SFTP_PASSWORD", "wheat")
	_, err = open(t, c).Deliver(t.Context(), entries)
	var unusable sinks.Unusable
	if !errors.As(err, &unusable) || !strings.Contains(err.Error(), "turns the user bench away") || strings.Contains(err.Error(), "wheat") {
		t.Errorf("another password: %v", err)
	}
}

func plainServer(t *testing.T, password string) (address, fingerprint string) {
	t.Helper()
	_, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	signer, err := ssh.NewSignerFromKey(key)
	if err != nil {
		t.Fatal(err)
	}
	config := &ssh.ServerConfig{KeyboardInteractiveCallback: func(_ ssh.ConnMetadata, ask ssh.KeyboardInteractiveChallenge) (*ssh.Permissions, error) {
		answers, err := ask("", "", []string{"Password: "}, []bool{false})
		if err != nil || len(answers) != 1 || answers[0] != password {
			return nil, errors.New("no")
		}
		return nil, nil
	}}
	config.AddHostKey(signer)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var all sync.WaitGroup
	t.Cleanup(func() { _ = l.Close(); all.Wait() })
	all.Go(func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			all.Go(func() { servePlain(conn, config) })
		}
	})
	return l.Addr().String(), ssh.FingerprintSHA256(signer.PublicKey())
}

func servePlain(conn net.Conn, config *ssh.ServerConfig) {
	defer conn.Close()
	_, channels, requests, err := ssh.NewServerConn(conn, config)
	if err != nil {
		return
	}
	go ssh.DiscardRequests(requests)
	for ask := range channels {
		channel, asked, err := ask.Accept()
		if err != nil {
			return
		}
		go func() {
			for r := range asked {
				_ = r.Reply(r.Type == "subsystem", nil)
			}
		}()
		if server, err := sftp.NewServer(channel); err == nil {
			_ = server.Serve() // until the client goes
		}
		_ = channel.Close()
	}
}

func TestWhatTheServerSaysIsTold(t *testing.T) {
	far := sshd.Start(t, "", "")
	entries := sinktest.Weighings(1, 1)
	c := configured(t, far, far.Addr, func(c *Config) { c.Path += "/barley" })
	_, err := open(t, c).Deliver(t.Context(), entries)
	foldertest.Passing(t, err, "is not there: create it")
	foldertest.Put(t, far.Dir, entries[0].Balance, foldertest.NotOurs)
	_, err = open(t, configured(t, far, far.Addr, nil)).Deliver(t.Context(), entries)
	var unusable sinks.Unusable
	if !errors.As(err, &unusable) || !strings.Contains(err.Error(), "something in the way") {
		t.Errorf("a file in the place of a path: %v", err)
	}
	if os.Geteuid() == 0 { // the server is then another account's
		if err := os.Chown(far.Dir, 0, 0); err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(os.Chmod(far.Dir, 0o755), os.Remove(filepath.Join(far.Dir, entries[0].Balance))); err != nil {
			t.Fatal(err)
		}
		_, err = open(t, configured(t, far, far.Addr, nil)).Deliver(t.Context(), entries)
		foldertest.Passing(t, err, "give the user the right to")
	}
	far.Kill(t)
	_, err = open(t, configured(t, far, far.Addr, nil)).Deliver(t.Context(), entries)
	foldertest.Passing(t, err, "cannot be reached")
}

func TestAFrozenServerEndsTheCall(t *testing.T) {
	far := sshd.Start(t, "", "")
	s := open(t, configured(t, far, far.Addr, func(c *Config) { c.Timeout = strict.Duration(2 * time.Second) })) // which the first handshake has to meet too
	entries := sinktest.Weighings(6, 1)
	deliver(t, s, entries[:3])
	far.Freeze(t)
	began := time.Now()
	_, err := s.Deliver(t.Context(), entries[3:])
	foldertest.Passing(t, err, "does not answer")
	if took := time.Since(began); took > 20*time.Second {
		t.Errorf("it took %s", took)
	}
	far.Thaw(t)
	for range 500 {
		if _, err = s.Deliver(t.Context(), entries[3:]); err == nil {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	foldertest.Whole(t, far.Dir, entries)
}

func TestConfigFaults(t *testing.T) {
	const base, pin = "server: files.example\npath: /srv/w\nuser: bench\n", "host_keys: [\"SHA256:AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA\"]\n"
	for text, want := range map[string]string{
		base + pin + "private_key: env:K":              "",
		base + pin + "password: env:K\nmanifest: true": "",
		base + pin:                  "private_key: neither private_key nor password is given",
		base + "private_key: env:K": "host_keys: no key of the server is given",
		base + "private_key: env:K\nhost_keys: [\"SHA256:AAAA\"]":        `host_keys[0]: "SHA256:AAAA" is no fingerprint`,
		base + "private_key: env:K\nhost_keys: [\"ssh-ed25519 AAAA\"]":   `host_keys[0]: "ssh-ed25519 AAAA" is no key of a server`,
		base + pin + "password: env:K\npassphrase: env:P":                "passphrase: is for a private key, and none is given",
		base + pin + "private_key: env:K\nname: \"{day}.json\"":          "name: does not tell entries apart",
		"server: files.example\npath: w\nprivate_key: env:K\n" + pin:     "user: the user is missing",
		"server: files.example\nuser: bench\nprivate_key: env:K\n" + pin: "path: the folder is missing",
		"path: w\nuser: bench\nprivate_key: env:K\n" + pin:               "server: the server is missing",
		base + pin + "private_key: env:K\ntimeout: 20m":                  "timeout: 20m0s is out of range",
	} {
		c := Default()
		doc, faults := strict.Load("sink.yaml", []byte(text), c)
		report := doc.Report()
		c.Check(report)
		all := append(faults, report.Faults()...)
		if want == "" && len(all) > 0 || want != "" && (len(all) != 1 || !strings.Contains(all.Error(), want)) {
			t.Errorf("%q:\n got  %v\n want %s", text, all, want)
		}
	}
}

// TestAReaderThatTakesFilesAway at once, as lab systems do, has had them: they are not written for it again and again.
func TestAReaderThatTakesFilesAway(t *testing.T) {
	f := sshd.Start(t, "", "")
	c := configured(t, f, f.Addr, nil)
	s, err := c.dial(t.Context(), f.Addr)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	file, err := s.Create(t.Context(), "there.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := file.Close(); err != nil {
		t.Fatal(err)
	}
	if n, err := s.Settle(t.Context(), []string{"taken.json", "there.json", "taken-too.json"}); n != 3 || err != nil {
		t.Errorf("settled %d: %v", n, err)
	}
}
