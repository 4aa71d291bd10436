package port

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/health"
)

// listEnv has the test program print what List finds below a folder.
const listEnv = "WEIGHPOST_TEST_LIST"

func TestMain(m *testing.M) {
	if address := os.Getenv(frozenEnv); address != "" {
		runFrozen(address)
		return
	}
	if root := os.Getenv(listEnv); root != "" {
		runList(root)
		return
	}
	goleak.VerifyTestMain(m)
}

// story is a Handler that writes down what it is told, one word a call; bytes are added to text.
type story struct {
	mu      sync.Mutex
	calls   []string // "up", "bytes", "idle", "down"
	text    bytes.Buffer
	at      []time.Time
	why     error // of the last down
	arrival Arrival
	changed chan struct{}
}

func newStory() *story { return &story{changed: make(chan struct{}, 1)} }

func (s *story) tell(call string, at time.Time, more func()) {
	s.mu.Lock()
	s.calls, s.at = append(s.calls, call), append(s.at, at)
	if more != nil {
		more()
	}
	s.mu.Unlock()
	select {
	case s.changed <- struct{}{}:
	default:
	}
}

func (s *story) Up(at time.Time)   { s.tell("up", at, nil) }
func (s *story) Idle(at time.Time) { s.tell("idle", at, nil) }
func (s *story) Down(at time.Time, why error) {
	s.tell("down", at, func() { s.why = why; s.text.WriteString("|") })
}
func (s *story) Bytes(p []byte, a Arrival) {
	s.tell("bytes", a.At, func() { s.text.Write(p); s.arrival = a })
}

func (s *story) count(call string) (n int) {
	for _, c := range s.calls {
		if c == call {
			n++
		}
	}
	return n
}

// until waits for a state of the story, or fails the test.
func (s *story) until(t *testing.T, what string, holds func(s *story) bool) {
	t.Helper()
	limit := time.After(40 * time.Second)
	for {
		s.mu.Lock()
		ok := holds(s)
		s.mu.Unlock()
		if ok {
			return
		}
		select {
		case <-s.changed:
		case <-limit:
			s.mu.Lock()
			defer s.mu.Unlock()
			t.Fatalf("waited 15 s for %s; so far %v, text %q", what, s.calls, s.text.String())
		}
	}
}

func (s *story) untilCount(t *testing.T, call string, n int) {
	t.Helper()
	s.until(t, fmt.Sprintf("%d × %s", n, call), func(s *story) bool { return s.count(call) >= n })
}

func (s *story) untilText(t *testing.T, text string) {
	t.Helper()
	s.until(t, fmt.Sprintf("the text %q", text), func(s *story) bool { return s.text.String() == text })
}

// alternates checks that up and down take turns, up first, and that nothing is told in between.
func (s *story) alternates(t *testing.T) {
	t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	up := false
	for i, c := range s.calls {
		if (c == "up") == up {
			t.Fatalf("call %d is %q, with the port up: %v; %v", i, c, up, s.calls)
		}
		if c == "up" || c == "down" {
			up = c == "up"
		}
	}
}

// running starts a line and returns a function that stops it and waits for its end.
func running(t *testing.T, l *Line, h Handler) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancelCause(t.Context())
	done := make(chan error, 1)
	go func() { done <- l.Run(ctx, h) }()
	ended := false
	stop = func() {
		if ended {
			return
		}
		ended = true
		cancel(errEnough)
		select {
		case err := <-done:
			if err != nil {
				t.Errorf("Run says %v", err)
			}
		case <-time.After(40 * time.Second):
			t.Error("Run did not end within 10 s")
		}
	}
	t.Cleanup(stop)
	return stop
}

var errEnough = errors.New("the test has seen enough")

// watched is a board whose changes can be waited for.
type watched struct {
	*health.Board
	changed chan struct{}
}

func newBoard() watched {
	w := watched{health.New(time.Now), make(chan struct{}, 1)}
	w.OnChange(func() {
		select {
		case w.changed <- struct{}{}:
		default:
		}
	})
	return w
}

// until waits for the one condition with this code, or for none if it is "".
func (w watched) until(t *testing.T, code string) health.Condition {
	t.Helper()
	limit := time.After(40 * time.Second)
	for {
		list := w.List()
		if code == "" && len(list) == 0 {
			return health.Condition{}
		}
		if len(list) == 1 && list[0].Code == code {
			return list[0]
		}
		select {
		case <-w.changed:
		case <-limit:
			t.Fatalf("waited 15 s for the condition %q; there is %+v", code, list)
		}
	}
}
