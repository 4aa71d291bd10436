package port

import (
	"bytes"
	"encoding/binary"
	"net"
	"slices"
	"sync"
	"testing"
	"time"

	"weighpost/parsers/strict"
)

// badServer is a device server that does as RFC 2217 says, and otherwise as a test wants. It answers what it is told on each
// connection, and says nothing by itself.
type badServer struct {
	deviceServer
	speed uint32 // that it says it has set, whatever was asked for; 0: what was asked for
	// instead gives what is sent in place of the answer, a telnet text; false: the usual answer.
	instead func(s *served, command byte, value []byte) ([]byte, bool)
	// negotiate is the same for DO and WILL.
	negotiate func(s *served, verb, option byte) ([]byte, bool)
	apart     bool // each byte is sent by itself
}

// served is one connection of a badServer.
type served struct {
	net.Conn
	server *badServer
	mu     sync.Mutex
	data   []byte
	heard  []string // verbs and commands in order, in hex
	told   telnet
}

func newBadServer(t *testing.T) *badServer {
	t.Helper()
	return &badServer{deviceServer: newDeviceServer(t, "127.0.0.1:0")}
}

func (s *badServer) config() Config {
	return Config{Address: "rfc2217://" + s.Addr().String(), DialTimeout: strict.Duration(2 * time.Second)}
}

// next serves the next connection.
func (s *badServer) next(t *testing.T) *served {
	t.Helper()
	c := &served{Conn: s.deviceServer.next(t), server: s}
	ended := make(chan struct{})
	go func() { defer close(ended); c.run() }()
	t.Cleanup(func() { c.Close(); <-ended })
	return c
}

// opened opens the port, served by this server.
func (s *badServer) opened(t *testing.T, c Config) (*rfc2217, *served) {
	t.Helper()
	conn := make(chan *served, 1)
	go func() { conn <- s.next(t) }()
	p := opened(t, c).(*rfc2217)
	return p, <-conn
}

// refused gives why the port cannot be opened.
func (s *badServer) refused(t *testing.T, c Config) *Trouble {
	t.Helper()
	served := make(chan *served, 1)
	go func() { served <- s.next(t) }()
	var p Port
	var err error
	within(t, 20*time.Second, "opening", func() { p, err = c.Open(t.Context()) })
	<-served
	if err == nil {
		p.Close()
		t.Fatal("the port was opened")
	}
	return err.(*Trouble)
}

func (s *served) run() {
	buf := make([]byte, 4096)
	for {
		n, err := s.Read(buf)
		if err != nil {
			return
		}
		s.mu.Lock()
		m, err := s.told.decode(buf[:n], s)
		s.data = append(s.data, buf[:m]...)
		s.mu.Unlock()
		if err != nil {
			return
		}
	}
}

// say sends what is Telnet already.
func (s *served) say(p []byte) {
	if !s.server.apart {
		_, _ = s.Write(p)
		return
	}
	for i := range p {
		_, _ = s.Write(p[i : i+1])
		time.Sleep(200 * time.Microsecond) // so that the pieces arrive as pieces
	}
}

func (s *served) broke(int) {}

func (s *served) option(_ int, verb, option byte) {
	s.heard = append(s.heard, string([]byte{verb, option}))
	if f := s.server.negotiate; f != nil {
		if answer, is := f(s, verb, option); is {
			s.say(answer)
			return
		}
	}
	switch verb {
	case telnetDO:
		s.say([]byte{telnetIAC, telnetWILL, option})
	case telnetWILL:
		s.say([]byte{telnetIAC, telnetDO, option})
	}
}

func (s *served) negotiation(_ int, option byte, p []byte) {
	s.heard = append(s.heard, string(p))
	if option != optionComPort || len(p) == 0 || p[0] > comPurge {
		return
	}
	if f := s.server.instead; f != nil {
		if answer, is := f(s, p[0], p[1:]); is {
			s.say(answer)
			return
		}
	}
	answer := append([]byte{p[0] + comServer}, p[1:]...)
	switch p[0] {
	case comSpeed:
		if s.server.speed != 0 {
			answer = binary.BigEndian.AppendUint32(answer[:1], s.server.speed)
		}
	case comSignature:
		answer = append(answer[:1], "a server of tests"...)
	case comModemState:
		answer = append(answer[:1], modemCTS|modemDSR)
	}
	s.say(com(answer...))
}

// com is a command of RFC 2217 as it is sent.
func com(p ...byte) []byte { return appendNegotiation(nil, optionComPort, p...) }

// until waits until the server was told a command.
func (s *served) until(t *testing.T, command ...byte) {
	t.Helper()
	for limit := time.Now().Add(40 * time.Second); ; time.Sleep(time.Millisecond) {
		s.mu.Lock()
		is := slices.ContainsFunc(s.heard, func(h string) bool { return bytes.Equal([]byte(h), command) })
		s.mu.Unlock()
		if is {
			return
		}
		if time.Now().After(limit) {
			t.Fatalf("the server was not told %v within 10 s, but %q", command, s.heard)
		}
	}
}

// taken waits until the balance was sent so many bytes.
func (s *served) taken(t *testing.T, n int) string {
	t.Helper()
	for limit := time.Now().Add(40 * time.Second); ; time.Sleep(time.Millisecond) {
		s.mu.Lock()
		data := string(s.data)
		s.mu.Unlock()
		if len(data) >= n {
			return data
		}
		if time.Now().After(limit) {
			t.Fatalf("%d bytes were not sent within 10 s, but %q", n, data)
		}
	}
}
