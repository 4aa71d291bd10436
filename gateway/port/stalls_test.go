package port

import (
	"context"
	"fmt"
	"io"
	"net"
	"testing"
	"testing/synctest"
	"time"
)

// TestAStallIsRememberedUntilReadersHadTheirTurn: what a reader gets in the second after it may have waited since it began,
// which may be a tick before anybody could notice.
func TestAStallIsRememberedUntilReadersHadTheirTurn(t *testing.T) {
	var s Stalls
	at := start.Add(time.Hour)
	if got := s.since(at); !got.Equal(at) {
		t.Errorf("nobody looks, and bytes waited for %v", at.Sub(got))
	}
	s.next.Store(int64(at.Add(stallTick).Sub(start)))
	for _, step := range []struct{ after, looks, waited time.Duration }{
		{20, 1, 20},              // in time, and nothing is known of what was between
		{23, 1, 23},              // late by three
		{10, 0, 23}, {10, 1, 23}, // the worst of the last second
		{2020, 0, 2020},                            // a reader has its turn before the look that is overdue
		{0, 1, 2020}, {10, 0, 2030}, {10, 1, 2040}, // and after: its bytes may be from the beginning of the stall
		{961, 1, 3001}, {21, 1, 21}, // and no longer
		{520, 1, 520}, {20, 1, 540}, {490, 0, 520}, // as long as the stall was
	} {
		at = at.Add(step.after * time.Millisecond)
		if step.looks > 0 {
			s.look(at)
		}
		if got := at.Sub(s.since(at)); got != step.waited*time.Millisecond {
			t.Errorf("at %v: bytes may have waited %v, want %v", at.Sub(start)-time.Hour, got, step.waited*time.Millisecond)
		}
	}
}

// knowing is a port over a pipe that was found empty before each read.
type knowing struct {
	net.Conn
	before time.Time
}

func (k *knowing) Read(p []byte) (int, error)      { k.before = time.Now(); return k.Conn.Read(p) }
func (k *knowing) Emptied() (time.Time, bool)      { return k.before, true }
func (k *knowing) SetReadDeadline(time.Time) error { return nil }

// TestAReaderThatWaitsKnowsWhenBytesCame: an hour of silence is no hour of doubt.
func TestAReaderThatWaitsKnowsWhenBytesCame(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := net.Pipe()
		line := NewLine(Config{Address: "/dev/ttyUSB0"}, "b-1", nil, nil)
		line.open = func(context.Context) (Port, error) { return &knowing{Conn: near}, nil }
		h := newStory()
		stop := running(t, line, h)
		time.Sleep(time.Hour)
		_, _ = io.WriteString(far, "1")
		synctest.Wait()
		if a := h.arrival; a.Held != 0 || a.At.Sub(a.Emptied) != time.Hour {
			t.Errorf("the byte waited %v, and the port was found empty %v before", a.Held, a.At.Sub(a.Emptied))
		}
		stop()
	})
}

const frozenEnv = "WEIGHPOST_TEST_FROZEN" // the port that a child reads

// teller prints how long what it is given may have waited, in milliseconds.
type teller struct{ *story }

func (teller) Up(time.Time) { fmt.Println("up") }
func (teller) Bytes(p []byte, a Arrival) {
	fmt.Println(string(p), a.Held.Milliseconds())
}

func runFrozen(address string) {
	stalls := &Stalls{}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	go stalls.Run(ctx)
	line := NewLine(Config{Address: address}, "b-1", nil, nil)
	line.WatchStalls(stalls)
	_ = line.Run(ctx, teller{newStory()})
}
