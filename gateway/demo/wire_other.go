//go:build !linux && !darwin

package demo

import (
	"errors"
	"io"
	"net"
	"sync"
)

const wireKind = "TCP ports, since this system has no pseudo-terminals"

// newWire makes the line of one simulated balance: a TCP port of this computer that takes one caller at a time.
func newWire(_, _ string) (address string, w io.Writer, pull func(), err error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", nil, nil, err
	}
	s := &socket{ready: make(chan struct{})}
	done := make(chan struct{})
	go func() {
		defer close(done)
		s.accept(l)
	}()
	return "tcp://" + l.Addr().String(), s, func() { _ = l.Close(); s.close(); <-done }, nil
}

// socket is written to as soon as somebody has called.
type socket struct {
	mu     sync.Mutex
	conn   net.Conn
	ready  chan struct{}
	closed bool
}

func (s *socket) accept(l net.Listener) {
	for {
		conn, err := l.Accept()
		if err != nil {
			return
		}
		s.mu.Lock()
		if s.conn == nil {
			close(s.ready)
		} else {
			_ = s.conn.Close()
		}
		s.conn = conn
		s.mu.Unlock()
	}
}

func (s *socket) Write(p []byte) (int, error) {
	<-s.ready
	s.mu.Lock()
	conn := s.conn
	s.mu.Unlock()
	if conn == nil {
		return 0, errors.New("the line is pulled")
	}
	return conn.Write(p)
}

func (s *socket) close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.conn != nil {
		_ = s.conn.Close()
		return
	}
	if !s.closed {
		s.closed = true
		close(s.ready)
	}
}
