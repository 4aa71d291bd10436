package ldap

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	goldap "github.com/go-ldap/ldap/v3"

	ber "github.com/go-asn1-ber/asn1-ber"

	"weighpost/gateway/access/ldap/slapd"
	"weighpost/gateway/health"
	"weighpost/parsers/strict"
)

// TestTLS: StartTLS and TLS from the first byte, with the authority of the configuration and no other, for the name of the URL and
// no other. openssl is not asked: slapd's own log says what was encrypted.
func TestTLS(t *testing.T) {
	t.Parallel() // it mostly waits
	certificates := slapd.NewCertificates(t)
	for _, c := range []struct {
		name             string
		certificate, key string
		ca               string
		want, says       string
	}{
		{"good", "", "", certificates.CAFile, "in", ""},
		{"another authority", "", "", certificates.OtherCAFile, "away", "unknown authority"},
		{"no authority given", "", "", "", "away", "unknown authority"},
		{"expired", certificates.ExpiredCertificate, certificates.ExpiredKey, certificates.CAFile, "away", "expired"},
		{"wrong name", certificates.OtherNameCertificate, certificates.OtherNameKey, certificates.CAFile, "away", "127.0.0.1"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := slapd.Start(t, slapd.Options{TLS: certificates, Certificate: c.certificate, Key: c.key})
			dir.Add(t, slapd.Lab)
			over := configFor(t, dir.SecureURL())
			begun := configFor(t, dir.URL())
			begun.StartTLS = true
			for _, conf := range []Config{over, begun} {
				conf.CA = c.ca
				before := strings.Count(dir.Log(), " BIND dn=")
				_, err := of(must(t, conf)).Authenticate(context.Background(), "ada", slapd.Secret)
				if kind(err) != c.want || err != nil && !strings.Contains(err.Error(), c.says) {
					t.Errorf("%s: %v, want %s", conf.URL, err, c.want)
				}
				if after := strings.Count(dir.Log(), " BIND dn="); c.want != "in" && after != before {
					t.Errorf("%s: %d binds were sent to a directory that nothing vouches for", conf.URL, after-before)
				}
			}
			if log := dir.Log(); c.want == "in" && (!strings.Contains(log, "TLS established") || strings.Contains(log, "ssf=0 tls_ssf=0\n")) {
				t.Errorf("the directory's log: %s", log)
			}
		})
	}
}

// TestStartTLSRefused: a directory without TLS is not spoken to in clear instead, nor one that only pretends, or whose answer
// carries more than an answer.
func TestStartTLSRefused(t *testing.T) {
	t.Parallel() // it mostly waits
	dir := slapd.Start(t, slapd.Options{})
	dir.Add(t, slapd.Lab)
	before := dir.Log()
	c := configFor(t, dir.URL())
	c.StartTLS = true
	_, err := of(must(t, c)).Authenticate(context.Background(), "ada", slapd.Secret)
	if kind(err) != "away" || !strings.Contains(err.Error(), "nothing was sent in clear") {
		t.Errorf("%v", err)
	}
	said := strings.TrimPrefix(dir.Log(), before)
	for end := time.Now().Add(30 * time.Second); !strings.Contains(said, "1466.20037") && time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		said = strings.TrimPrefix(dir.Log(), before)
	}
	if strings.Contains(said, " BIND ") || !strings.Contains(said, "1466.20037") {
		t.Errorf("the directory was told: %s", said)
	}
	for name, answer := range map[string]func(net.Conn, int64) bool{
		"refuses": func(c net.Conn, id int64) bool {
			return send(c, message(id, result(goldap.ApplicationExtendedResponse, 2, "")))
		},
		"pretends": func(c net.Conn, id int64) bool {
			return send(c, message(id, result(goldap.ApplicationExtendedResponse, 0, "")))
		},
		"says nothing": func(net.Conn, int64) bool { return true },
		"adds a bind that went well": func(c net.Conn, id int64) bool {
			return send(c, append(message(id, result(goldap.ApplicationExtendedResponse, 0, "")), message(id+1, result(goldap.ApplicationBindResponse, 0, ""))...))
		},
	} {
		var clear []byte
		f := fakeDirectory(t, func(c net.Conn, id int64, op *ber.Packet) bool {
			if op.Tag != goldap.ApplicationExtendedRequest {
				return false
			}
			if !answer(c, id) {
				return false
			}
			_ = c.SetReadDeadline(time.Now().Add(time.Second))
			clear, _ = io.ReadAll(io.LimitReader(c, 1<<16))
			return false
		})
		c := fakeConfig(t, f)
		c.StartTLS = true
		signIn(t, of(must(t, c)), "ada", slapd.Secret, "away")
		f.l.Close()
		f.wg.Wait()
		if strings.Contains(string(clear), slapd.Secret) || strings.Contains(string(clear), slapd.ServiceSecret) {
			t.Errorf("%s: a secret went over in clear", name)
		}
	}
}

// TestDownInMidBind: the directory is killed while a bind waits for its answer: the sign-in ends at once where the kill is seen,
// and at the limit of time where a box in between keeps the connection open. Neither counts as a wrong secret.
func TestDownInMidBind(t *testing.T) {
	dir := slapd.Start(t, slapd.Options{})
	dir.Add(t, slapd.Lab)
	box := holdAnswers(t, dir.Addr())
	for name, c := range map[string]struct {
		url         string
		hold        func()
		least, most time.Duration
	}{
		"seen":             {dir.URL(), func() { dir.Freeze(t) }, 0, 30 * time.Second},
		"behind a box":     {"ldap://" + box.addr(), box.hold, 1900 * time.Millisecond, 30 * time.Second},
		"as themselves":    {dir.URL(), func() { dir.Freeze(t) }, 0, 30 * time.Second},
		"a box, as itself": {"ldap://" + box.addr(), box.hold, 1900 * time.Millisecond, 30 * time.Second},
	} {
		conf := configFor(t, c.url)
		if strings.Contains(name, "sel") {
			conf.BindDN, conf.Password, conf.Users, conf.UserDN = "", strict.Secret{}, Users{}, "uid={login},"+slapd.People
		}
		conf.Timeout = strict.Duration(time.Minute) // where the kill is seen this is not waited for
		if c.least > 0 {
			conf.Timeout = strict.Duration(2 * time.Second)
		}
		d := of(must(t, conf))
		signIn(t, d, "ada", slapd.Secret, "in")
		c.hold()
		ended := make(chan error, 1)
		began := time.Now()
		go func() {
			_, err := d.Authenticate(context.Background(), "ada", slapd.Secret)
			ended <- err
		}()
		time.Sleep(300 * time.Millisecond) // the bind is on its way; were it not, the sign-in would end otherwise below
		dir.Kill(t)
		err := <-ended
		if took := time.Since(began); kind(err) != "away" || took < c.least || took > c.most {
			t.Errorf("%s: %v after %s", name, err, took)
		}
		signIn(t, of(configFor(t, dir.URL())), "ada", slapd.Secret, "away") // nobody listens
		box.release()
		dir.Start(t)
		signIn(t, d, "ada", slapd.Secret, "in")
	}
}

// box is something in between that can keep answers to itself.
type box struct {
	l     net.Listener
	mu    sync.Mutex
	held  bool
	conns []net.Conn
	wg    sync.WaitGroup
}

func holdAnswers(t *testing.T, to string) *box {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	b := &box{l: l}
	b.wg.Go(func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", to)
			if err != nil {
				near.Close()
				continue
			}
			b.mu.Lock()
			b.conns = append(b.conns, near, far)
			b.mu.Unlock()
			b.wg.Go(func() { _, _ = io.Copy(far, near); far.Close() })
			b.wg.Go(func() { b.back(near, far) })
		}
	})
	t.Cleanup(func() {
		l.Close()
		b.release()
		b.wg.Wait()
	})
	return b
}

// back passes answers on, unless they are held: then nothing comes, and no end either.
func (b *box) back(near, far net.Conn) {
	buf := make([]byte, 4096)
	for {
		n, err := far.Read(buf)
		b.mu.Lock()
		held := b.held
		b.mu.Unlock()
		if held {
			return
		}
		if n > 0 {
			_, _ = near.Write(buf[:n])
		}
		if err != nil {
			near.Close()
			return
		}
	}
}

func (b *box) addr() string { return b.l.Addr().String() }

func (b *box) hold() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.held = true
}

// release lets new connections through, and ends those that were held.
func (b *box) release() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.held = false
	for _, c := range b.conns {
		c.Close()
	}
	b.conns = nil
}

// TestSilentDirectory: one that accepts and never answers, one that answers a byte a second, and one that stops in the middle:
// each costs the limit of time and no more, and its connection is closed.
func TestSilentDirectory(t *testing.T) {
	t.Parallel() // it mostly waits
	var all sync.WaitGroup
	defer all.Wait()
	for name, answer := range map[string]func(net.Conn, int64) bool{
		"silent": func(net.Conn, int64) bool { return true },
		"a byte a second": func(c net.Conn, id int64) bool {
			for _, b := range message(id, result(goldap.ApplicationBindResponse, 0, "")) {
				if !send(c, []byte{b}) {
					return false
				}
				time.Sleep(time.Second)
			}
			return true
		},
		"half an answer": func(c net.Conn, id int64) bool {
			return send(c, message(id, result(goldap.ApplicationBindResponse, 0, ""))[:5])
		},
	} {
		for _, starttls := range []bool{false, true} {
			closed := make(chan struct{}, 8)
			f := fakeDirectory(t, func(c net.Conn, id int64, op *ber.Packet) bool {
				if !answer(c, id) {
					closed <- struct{}{}
					return false
				}
				_ = c.SetReadDeadline(time.Now().Add(time.Minute))
				if _, err := io.Copy(io.Discard, c); err == nil || !errors.Is(err, os.ErrDeadlineExceeded) {
					closed <- struct{}{}
				}
				return false
			})
			c := fakeConfig(t, f)
			c.Timeout, c.StartTLS = strict.Duration(1200*time.Millisecond), starttls
			must(t, c)
			all.Go(func() { // each waits for its limit of time: all at once
				began := time.Now()
				_, err := of(c).Authenticate(context.Background(), "ada", slapd.Secret)
				if took := time.Since(began); kind(err) != "away" || !strings.Contains(err.Error(), "no whole answer within 1.2s") || took < time.Second || took > 30*time.Second {
					t.Errorf("%s, StartTLS %v: %v after %s", name, starttls, err, took)
				}
				select {
				case <-closed:
				case <-time.After(30 * time.Second):
					t.Errorf("%s: the connection stayed open", name)
				}
			})
		}
	}
}

// TestRestart: between two sign-ins the directory may come and go; nothing is kept that could go stale.
func TestRestart(t *testing.T) {
	dir := slapd.Start(t, slapd.Options{})
	dir.Add(t, slapd.Lab)
	d := of(must(t, configFor(t, dir.URL())))
	for range 3 {
		signIn(t, d, "ada", slapd.Secret, "in")
		dir.Stop(t)
		signIn(t, d, "ada", slapd.Secret, "away")
		dir.Start(t)
	}
	signIn(t, d, "ada", slapd.Secret, "in")
}

// TestManyAtOnce: a hundred people sign in at once, right and wrong ones, and each gets their own answer; no more connections are
// open than two for each question, and none is left.
func TestManyAtOnce(t *testing.T) {
	dir := slapd.Start(t, slapd.Options{})
	var ldif strings.Builder
	for i := range 100 {
		ldif.WriteString(slapd.Person(fmt.Sprintf("p%d", i), fmt.Sprintf("Person %d", i)))
	}
	dir.Add(t, ldif.String())
	c := must(t, configFor(t, dir.URL()))
	c.Timeout = strict.Duration(30 * time.Second)
	d := of(c)
	before := runtime.NumGoroutine()
	most := 0
	var mu sync.Mutex
	var all sync.WaitGroup
	for i := range 100 {
		all.Go(func() {
			secret, want := slapd.Secret, "in"
			if i%3 == 0 {
				secret, want = "wrong", "wrong"
			}
			found, err := d.Authenticate(context.Background(), fmt.Sprintf("p%d", i), secret)
			mu.Lock()
			defer mu.Unlock()
			most = max(most, runtime.NumGoroutine())
			if kind(err) != want || err == nil && found.Name != fmt.Sprintf("Person %d", i) {
				t.Errorf("p%d: %v, %+v", i, err, found)
			}
		})
	}
	all.Wait()
	// 100 of the test's own, and for each of the 16 questions two connections of two goroutines and one that ends them.
	if limit := before + 100 + mostAtOnce*2*3; most > limit {
		t.Errorf("%d goroutines, want at most %d", most, limit)
	}
	if open, closed := strings.Count(dir.Log(), " ACCEPT from "), strings.Count(dir.Log(), " closed"); open-closed > 1 {
		for end := time.Now().Add(30 * time.Second); open-closed > 1 && time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
			open, closed = strings.Count(dir.Log(), " ACCEPT from "), strings.Count(dir.Log(), " closed")
		}
		if open-closed > 1 {
			t.Errorf("%d connections were opened and %d closed", open, closed)
		}
	}
}

// TestAConnectionIsOnePersons: after somebody's bind nothing else is asked on that connection but by themselves. slapd's log says
// what came on which.
func TestAConnectionIsOnePersons(t *testing.T) {
	dir := slapd.Start(t, slapd.Options{})
	dir.Add(t, slapd.Lab)
	d := of(must(t, configFor(t, dir.URL())))
	for range 5 {
		signIn(t, d, "ada", slapd.Secret, "in")
		signIn(t, d, "ben", slapd.Secret, "in")
	}
	binds := map[string]string{}
	for _, line := range strings.Split(dir.Log(), "\n") {
		i := strings.Index(line, "conn=")
		if i < 0 {
			continue
		}
		conn, rest, _ := strings.Cut(line[i:], " ")
		switch {
		case strings.Contains(rest, "BIND dn=\"") && strings.Contains(rest, "method="):
			if binds[conn] != "" {
				t.Errorf("a second bind on %s: %s after %s", conn, rest, binds[conn])
			}
			binds[conn] = rest
		case strings.Contains(rest, "SRCH base=") && strings.Contains(binds[conn], "uid="):
			t.Errorf("after the bind of a person: %s", line)
		}
	}
	if len(binds) < 20 {
		t.Errorf("only %d connections were seen", len(binds))
	}
}

// TestCondition: the board says while the directory does not answer, and no longer; what it says of a person is an answer.
func TestCondition(t *testing.T) {
	dir := slapd.Start(t, slapd.Options{})
	dir.Add(t, slapd.Lab)
	board := health.New(time.Now)
	c := must(t, configFor(t, dir.URL()))
	d := New(Options{Config: func() Config { return c }, Board: board})
	raised := func() string {
		for _, c := range board.List() {
			return c.Code + ": " + c.Sentence + " " + c.Remedy
		}
		return ""
	}
	signIn(t, d, "ada", "wrong", "wrong")
	if raised() != "" {
		t.Error(raised())
	}
	dir.Kill(t)
	signIn(t, d, "ada", slapd.Secret, "away")
	if said := raised(); !strings.HasPrefix(said, "directory-unavailable: The directory at 127.0.0.1 could not be asked: no connection to "+dir.Addr()) || strings.Contains(said, slapd.Secret) {
		t.Error(said)
	}
	dir.Start(t)
	d.Probe(context.Background())
	if raised() != "" {
		t.Errorf("the directory is back, and still: %s", raised())
	}
	c.Offline = Offline{Allow: true}
	dir.Kill(t)
	d.Probe(context.Background())
	if said := raised(); !strings.Contains(said, "within the last 12h0m0s can sign in") {
		t.Error(said)
	}
	gone, cancel := context.WithCancel(context.Background())
	cancel()
	d.Run(gone)
	if raised() != "" {
		t.Error("the condition outlives the daemon's part")
	}
	for range 20 {
		_, _ = d.Authenticate(gone, "ada", slapd.Secret)
	}
	if raised() != "" {
		t.Error("whoever asked has gone, and the directory is blamed: " + raised())
	}
}
