package port

import (
	"bytes"
	"errors"
	"io"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	"weighpost/parsers/strict"
)

// deviceServer is a listener on loopback that hands over the connections it gets.
type deviceServer struct {
	net.Listener
	conns chan net.Conn
}

func newDeviceServer(t *testing.T, address string) deviceServer {
	t.Helper()
	l, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	d := deviceServer{l, make(chan net.Conn, 8)}
	go func() {
		defer close(d.conns)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			d.conns <- c
		}
	}()
	t.Cleanup(func() {
		l.Close()
		for c := range d.conns {
			c.Close()
		}
	})
	return d
}

func (d deviceServer) config() Config { return Config{Address: "tcp://" + d.Addr().String()} }

func (d deviceServer) next(t *testing.T) net.Conn {
	t.Helper()
	select {
	case c := <-d.conns:
		t.Cleanup(func() { c.Close() })
		return c
	case <-time.After(10 * time.Second):
		t.Fatal("nobody connected within 10 s")
		return nil
	}
}

func TestADeviceServerThatComesAndGoes(t *testing.T) {
	server := newDeviceServer(t, "127.0.0.1:0")
	address := server.Addr().String()
	board := newBoard()
	line := NewLine(server.config(), "b-2", board.Board, nil)
	line.backoff = backoff{first: time.Millisecond, serial: 4 * time.Millisecond, rest: 4 * time.Millisecond}
	s := newStory()
	stop := running(t, line, s)

	conn := server.next(t)
	s.untilCount(t, "up", 1)
	_, _ = io.WriteString(conn, "1.0\r\n2.")
	s.untilText(t, "1.0\r\n2.")
	if n, err := line.Write([]byte("?")); n != 1 || err != nil {
		t.Fatalf("Write: %d, %v", n, err)
	}
	if got := make([]byte, 1); true {
		if _, err := io.ReadFull(conn, got); err != nil || got[0] != '?' {
			t.Errorf("the server got %q, %v", got, err)
		}
	}

	server.Close() // nobody listens any more, then the connection ends
	conn.Close()
	s.untilCount(t, "down", 1)
	if c := board.until(t, CodeLost); !strings.Contains(c.Sentence, address) {
		t.Errorf("the condition is %+v", c)
	}
	for tries := line.Counts().Opens; line.Counts().Opens < tries+3; time.Sleep(time.Millisecond) {
		board.until(t, CodeLost)
	}

	again := newDeviceServer(t, address)
	conn = again.next(t)
	_, _ = io.WriteString(conn, "2.0\r\n")
	s.untilText(t, "1.0\r\n2.|2.0\r\n")
	board.until(t, "")
	stop()
	s.alternates(t)
}

func TestNoDeviceServerIsMissing(t *testing.T) {
	server := newDeviceServer(t, "127.0.0.1:0")
	c := server.config()
	server.Close()
	_, err := c.Open(t.Context())
	var trouble *Trouble
	if !errors.As(err, &trouble) || trouble.Code != CodeMissing || !strings.Contains(trouble.Sentence, "does not answer") {
		t.Errorf("Open says %v", err)
	}
}

func TestATCPPortKeepsThePromisesOfAPort(t *testing.T) {
	server := newDeviceServer(t, "127.0.0.1:0")
	c := server.config()
	c.WriteTimeout = strict.Duration(150 * time.Millisecond)
	p := opened(t, c)
	far := server.next(t)

	begin := time.Now()
	_ = p.SetReadDeadline(begin.Add(50 * time.Millisecond))
	if n, err := p.Read(make([]byte, 8)); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) || time.Since(begin) < 49*time.Millisecond {
		t.Fatalf("a read that nothing comes to: %d, %v, %v", n, err, time.Since(begin))
	}
	_ = p.SetReadDeadline(time.Time{})

	noise := bytes.Repeat([]byte{0, 0x11, 0x13, 0xff, 0x0d}, 50_000)
	go func() { _, _ = far.Write(noise) }()
	got := make([]byte, len(noise))
	if _, err := io.ReadFull(p, got); err != nil || !bytes.Equal(got, noise) {
		t.Fatalf("250 kB did not arrive unchanged: %v", err)
	}

	within(t, 10*time.Second, "a write that nobody takes", func() {
		if _, err := p.Write(make([]byte, 64<<20)); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("Write says %v", err)
		}
	})

	ended := make(chan error, 1)
	go func() { _, err := p.Read(make([]byte, 8)); ended <- err }()
	within(t, 5*time.Second, "Close with a pending read", func() {
		p.Close()
		if err := <-ended; !errors.Is(err, os.ErrClosed) {
			t.Errorf("the read ended with %v", err)
		}
	})
	if err := p.Close(); err != nil {
		t.Errorf("the second Close says %v", err)
	}
}

func TestAServerThatEndsIsEOF(t *testing.T) {
	server := newDeviceServer(t, "127.0.0.1:0")
	p := opened(t, server.config())
	server.next(t).Close()
	if _, err := p.Read(make([]byte, 8)); !errors.Is(err, io.EOF) {
		t.Errorf("Read says %v", err)
	}
}

// within fails the test if f takes longer than limit: a hang.
func within(t testing.TB, limit time.Duration, what string, f func()) {
	t.Helper()
	done := make(chan struct{})
	go func() { defer close(done); f() }()
	select {
	case <-done:
	case <-time.After(limit):
		t.Fatalf("%s still runs after %v", what, limit)
	}
}

func opened(t testing.TB, c Config) Port {
	t.Helper()
	p, err := c.Open(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.Close() })
	return p
}
