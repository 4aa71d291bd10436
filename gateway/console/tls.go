package console

import (
	"bytes"
	"crypto/tls"
	"fmt"
	"io"
	"net"
	"sync"
	"time"

	"weighpost/gateway/certificate"
)

// Certificate is what the page shows to whoever connects.
type Certificate interface {
	// Get gives the pair in use, as crypto/tls asks for it at each handshake.
	Get(*tls.ClientHelloInfo) (*tls.Certificate, error)
	Facts() (f certificate.Facts, ok bool)
	Covers(host string) bool // whether it stands for a host
	SelfMade() bool
}

// secured puts TLS over a listener, where there is a certificate. The server ends a handshake that has not come to its end
// within headerTime, as it does with slow headers. HTTP/2 is not offered: the limits on slow clients are those of HTTP/1.1.
func (s *Server) secured(l net.Listener) net.Listener {
	if s.deps.Certificate == nil {
		return l
	}
	return tls.NewListener(plainAnswered{l, s.deps.Page}, &tls.Config{
		GetCertificate: s.deps.Certificate.Get, MinVersion: tls.VersionTLS12, NextProtos: []string{"http/1.1"}})
}

// plainAnswered is a listener that tells whoever speaks plain HTTP to a port with TLS what to do instead.
type plainAnswered struct {
	net.Listener
	page Config
}

func (l plainAnswered) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return &firstBytes{Conn: c, page: l.page}, nil
}

// firstBytes looks at the first bytes that come over a connection.
type firstBytes struct {
	net.Conn
	page Config
	once sync.Once
	held []byte // read and not handed over yet
	err  error
}

// tlsHandshake is the type of a record that begins a connection with TLS (RFC 8446, section 5.1).
const tlsHandshake = 22

func (c *firstBytes) Read(p []byte) (int, error) {
	c.once.Do(func() {
		first := make([]byte, 4096)
		var n int
		n, c.err = c.Conn.Read(first)
		if c.held = first[:n]; n > 0 && first[0] != tlsHandshake {
			c.answerPlainly()
			c.held, c.err = nil, errPlain
		}
	})
	if len(c.held) > 0 {
		n := copy(p, c.held)
		c.held = c.held[n:]
		return n, nil
	}
	if c.err != nil {
		return 0, c.err
	}
	return c.Conn.Read(p)
}

var errPlain = fmt.Errorf("a client spoke no TLS: %w", io.EOF)

// answerPlainly answers what looks like HTTP without TLS, and nothing else.
func (c *firstBytes) answerPlainly() {
	line, _, _ := bytes.Cut(c.held, []byte("\n"))
	if !bytes.Contains(line, []byte(" HTTP/1.")) {
		return
	}
	text := "This page is reached with TLS only: open " + c.page.Shown(c.LocalAddr()) + "\n"
	_ = c.SetWriteDeadline(time.Now().Add(time.Second))
	_, _ = fmt.Fprintf(c.Conn, "HTTP/1.1 400 Bad Request\r\nContent-Type: text/plain; charset=utf-8\r\nContent-Length: %d\r\n"+
		"Connection: close\r\n\r\n%s", len(text), text)
}

var certificateUntil = describe("certificate_until_timestamp_seconds", "When the certificate of the page ends, in seconds since 1970.")

// pageCertificate is what the page tells of its own certificate. Whoever connects has seen all of it.
type pageCertificate struct {
	certificate.Facts
	SelfMade bool `json:"self_made"`
}

func (s *Server) certificate() *pageCertificate {
	if s.deps.Certificate == nil {
		return nil
	}
	f, ok := s.deps.Certificate.Facts()
	if !ok {
		return nil
	}
	return &pageCertificate{f, s.deps.Certificate.SelfMade()}
}
