package guidedruns

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/port/pty"
)

// scale is a simulated balance: what it shows, in grams as text, and its cable.
type scale struct {
	t    *testing.T
	cord *pty.Cord

	mu  sync.Mutex
	pan string
}

// newScale makes one with a print key, or one that answers when it is asked.
func newScale(t *testing.T, path string, asked bool) *scale {
	t.Helper()
	s := &scale{t: t, cord: pty.NewCord(path), pan: "0.00000"}
	s.plug()
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	t.Cleanup(func() { cancel(); _ = s.cord.Pull(); <-ended })
	go func() {
		defer close(ended)
		for asked && ctx.Err() == nil {
			if n, err := s.cord.Read(make([]byte, 64)); err == nil && n > 0 {
				s.mu.Lock()
				_, _ = s.cord.Write(line(s.pan))
				s.mu.Unlock()
			}
			time.Sleep(10 * time.Millisecond)
		}
	}()
	return s
}

func line(grams string) []byte { return fmt.Appendf(nil, "%11s g\r\n", grams) }

// puts has a load on the pan.
func (s *scale) puts(grams string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.pan = grams
}

// prints has a load on the pan and the print key pressed.
func (s *scale) prints(grams string) {
	s.t.Helper()
	time.Sleep(60 * time.Millisecond) // the silence that shows that a frame begins
	if _, err := s.cord.Write(line(grams)); err != nil {
		s.t.Fatal(err)
	}
}

func (s *scale) plug() {
	s.t.Helper()
	if err := s.cord.Plug(); err != nil {
		s.t.Fatal(err)
	}
}

func (s *scale) pull() {
	s.t.Helper()
	if err := s.cord.Pull(); err != nil {
		s.t.Fatal(err)
	}
}
