//go:build linux

package port

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/health"
	"weighpost/gateway/port/pty"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// log is a Handler that writes down what it is told, one line a call.
type story struct {
	mu     sync.Mutex
	lines  []string
	text   bytes.Buffer
	last   Arrival
	change chan struct{}
}

func newStory() *story { return &story{change: make(chan struct{}, 1)} }

func (s *story) add(line string) {
	s.lines = append(s.lines, line)
	select {
	case s.change <- struct{}{}:
	default:
	}
}

func (s *story) Up(time.Time)   { s.mu.Lock(); defer s.mu.Unlock(); s.add("up") }
func (s *story) Idle(time.Time) { s.mu.Lock(); defer s.mu.Unlock(); s.add("idle") }
func (s *story) Down(_ time.Time, why error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.add("down: " + why.Error())
}
func (s *story) Bytes(p []byte, a Arrival) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.text.Write(p)
	s.last = a
	s.add(fmt.Sprintf("%q", p))
}

// until waits for a state of the story, or fails the test.
func (s *story) until(t *testing.T, what string, holds func(s *story) bool) {
	t.Helper()
	limit := time.After(10 * time.Second)
	for {
		s.mu.Lock()
		ok := holds(s)
		s.mu.Unlock()
		if ok {
			return
		}
		select {
		case <-s.change:
		case <-limit:
			s.mu.Lock()
			defer s.mu.Unlock()
			t.Fatalf("waited 10 s for %s; so far: %q", what, s.lines)
		}
	}
}

func TestLineFirst(t *testing.T) {
	for _, driver := range []string{DriverNative, DriverLibrary} {
		cord := pty.NewCord(filepath.Join(t.TempDir(), "bal"))
		board := health.New(time.Now)
		line := NewLine(Config{Address: cord.Path(), Driver: driver}, "b-1", board, nil)
		ctx, cancel := context.WithCancel(t.Context())
		s := newStory()
		done := make(chan error)
		go func() { done <- line.Run(ctx, s) }()
		time.Sleep(100 * time.Millisecond)
		t.Log(board.List())
		if err := cord.Plug(); err != nil {
			t.Fatal(err)
		}
		s.until(t, "up", func(s *story) bool { return len(s.lines) == 1 })
		cord.Write([]byte("  12.345 g\r\n"))
		s.until(t, "bytes", func(s *story) bool { return s.text.Len() == 12 })
		t.Log(s.last.At.Sub(s.last.Emptied))
		cord.Pull()
		s.until(t, "down", func(s *story) bool { return len(s.lines) == 3 })
		time.Sleep(100 * time.Millisecond)
		t.Log(board.List())
		cancel()
		t.Log(<-done, s.lines, line.Counts())
	}
	_ = os.ErrClosed
}
