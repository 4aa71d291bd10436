package lines

import (
	"bytes"
	"context"
	"errors"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// far is a program of the test's own at the other end of one connection, and conn that end of it which lines has.
type far struct {
	mu     sync.Mutex
	text   []byte // written
	room   int    // bytes that are still taken before writing fails; -1: as many as come
	moves  func(written int) (unconfirmed int)
	say    chan []byte // what the program says
	closed chan struct{}
	once   sync.Once
}

func newFar() *far {
	return &far{room: -1, moves: func(int) int { return 0 }, say: make(chan []byte, 8), closed: make(chan struct{})}
}

var errBroken = errors.New("connection reset")

func (f *far) Write(p []byte) (int, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	n := len(p)
	if f.room >= 0 && n > f.room {
		n = f.room
	}
	if f.text = append(f.text, p[:n]...); f.room >= 0 {
		f.room -= n
	}
	if n < len(p) {
		return n, errBroken
	}
	return n, nil
}

func (f *far) Read(p []byte) (int, error) {
	select {
	case b := <-f.say:
		return copy(p, b), nil
	case <-f.closed:
		return 0, os.ErrClosed
	}
}

func (f *far) Drain(context.Context) error { return nil }

func (f *far) Close() error {
	f.once.Do(func() { close(f.closed) })
	return nil
}

func (f *far) lines() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return strings.SplitAfter(string(f.text), "\n")
}

// telling is a far that also tells how much it has.
type telling struct{ *far }

func (t telling) Unconfirmed() (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.moves(len(t.text)), nil
}

// doors gives one connection after the other.
type doors chan Conn

func (d doors) Next(ctx context.Context) (Conn, string, error) {
	select {
	case c := <-d:
		return c, "a program", nil
	case <-ctx.Done():
		return nil, "", ctx.Err()
	}
}

func (d doors) Close() error { return nil }

// opened is a sink with one program.
func opened(t *testing.T, n Nature, conn Conn, change func(*Config)) (*Sink, doors) {
	t.Helper()
	cfg := Default()
	cfg.LineEnd, cfg.Unknown = "\n", "replace"
	change(&cfg)
	d := make(doors, 4)
	d <- conn
	if n.Most, n.Where = 1, "the place"; n.Write == 0 {
		n.Write = 5 * time.Second
	}
	s, err := New(cfg, "old-program", sinks.Env{}, n, d)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s, d
}

func asIs(*Config) {}

// TestWhatTheOtherComputerHasCountsAndNothingElse: the connection breaks in mid-line, when the other computer has said of a part that it has
// it. Accepted are the whole lines of that part, and the rest comes again to the next program.
func TestWhatTheOtherComputerHasCountsAndNothingElse(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(100, 3)
		first := newFar()
		first.room = 5*stride + 77
		first.moves = func(written int) int { return min(written, stride+1000) } // so far it is behind
		s, d := opened(t, Nature{Found: true}, telling{first}, asIs)
		n, err := s.Deliver(t.Context(), entries)
		if !errors.Is(err, errBroken) {
			t.Fatal(err)
		}
		has, whole := 5*stride-stride-1000, 0
		for _, line := range first.lines() {
			if has -= len(line); has < 0 {
				break
			}
			whole++
		}
		if n != whole || n == 0 {
			t.Fatalf("%d accepted; %d lines are at the other computer", n, whole)
		}
		second := newFar()
		d <- telling{second}
		if more, err := s.Deliver(t.Context(), entries[n:]); more != len(entries)-n || err != nil {
			t.Fatal(more, err)
		}
		got := slices.Concat(first.lines()[:n], second.lines()[:len(entries)-n])
		for i, e := range entries {
			if f, err := sinktest.ParseJSON(sinktest.Arrival{Body: []byte(got[i])}); err != nil || len(f) != 1 || f[0].ID != e.ID {
				t.Fatalf("line %d is %q: %v", i, got[i], err)
			}
		}
	})
}

// TestSlowIsNotGone: as long as something arrives, a program is not given up, however long all of it takes; when nothing does, it is.
func TestSlowIsNotGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		slow := newFar()
		began := time.Now()
		has := func(written int) int { return min(written, int(time.Since(began)/time.Second)*500) } // 500 bytes a second
		slow.moves = func(written int) int { return written - has(written) }
		s, _ := opened(t, Nature{Found: true}, telling{slow}, asIs)
		entries := sinktest.Weighings(20, 3)
		if n, err := s.Deliver(t.Context(), entries); n != 20 || err != nil || time.Since(began) < 4*s.nature.Write {
			t.Fatalf("%d accepted after %s: %v", n, time.Since(began), err)
		}
		before := len(slow.text)
		slow.moves = func(written int) int { return written - before } // and now it stands still
		began = time.Now()
		if n, err := s.Deliver(t.Context(), entries); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) || time.Since(began) > 2*s.nature.Write {
			t.Errorf("%d accepted after %s: %v", n, time.Since(began), err)
		}
		<-slow.closed
	})
}

// TestALateAcknowledgementIsNotTheNextLines: on a serial line a program may acknowledge when it was given up already, once for each time that
// it got the line. Those are not for the line after it.
func TestALateAcknowledgementIsNotTheNextLines(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		old := newFar()
		s, _ := opened(t, Nature{Found: true, Joined: true}, old, func(c *Config) { c.Acknowledge = "\x06" })
		entries := sinktest.Weighings(2, 3)
		for range 2 {
			if n, err := s.Deliver(t.Context(), entries); n != 0 || !errors.Is(err, errSilent) {
				t.Fatal(n, err)
			}
		}
		time.AfterFunc(time.Second, func() { old.say <- []byte("\x06") }) // for the third time
		time.AfterFunc(2*time.Second, func() { old.say <- []byte("\x06") })
		time.AfterFunc(3*time.Second, func() { old.say <- []byte("\x06") })
		if n, err := s.Deliver(t.Context(), entries); n != 1 || !errors.Is(err, errSilent) {
			t.Fatalf("%d accepted of lines of which the program acknowledged the first three times, and the second never: %v", n, err)
		}
	})
}

// TestACutOffLineIsMarked: where the other end would join it to the next (ECMA-48, 8.3.6: CAN).
func TestACutOffLineIsMarked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, joined := range []bool{true, false} {
			entries := sinktest.Weighings(1, 3)
			first, second := newFar(), newFar()
			first.room = 10
			s, d := opened(t, Nature{Found: true, Joined: joined}, first, asIs)
			if n, err := s.Deliver(t.Context(), entries); n != 0 || !errors.Is(err, errBroken) {
				t.Fatal(n, err)
			}
			d <- second
			if n, err := s.Deliver(t.Context(), entries); n != 1 || err != nil {
				t.Fatal(n, err)
			}
			if marked := bytes.HasPrefix(second.text, []byte("\x18\n{")); marked != joined || !marked && second.text[0] != '{' {
				t.Errorf("joined %v: %.20q", joined, second.text)
			}
		}
	})
}

// TestWhatIsLeftOutCountsOnlyUpToWhatIsAccepted: entries that are too old are told of once they are passed, and not when they come again.
func TestWhatIsLeftOutCountsOnlyUpToWhatIsAccepted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(4, 3)
		at := func(e record.Entry, when time.Time) record.Entry { // the stamp of an entry as if it were of another time
			i := bytes.Index(e.JSON, []byte(`"utc":"`)) + len(`"utc":"`)
			e.JSON = slices.Concat(e.JSON[:i], []byte(when.UTC().Format("2006-01-02T15:04:05.000000Z")), e.JSON[i+len("2006-01-02T15:04:05.000000Z"):])
			return e
		}
		now := time.Now()
		old := now.Add(-time.Hour)
		entries = []record.Entry{at(entries[0], old), at(entries[1], now), at(entries[2], old), at(entries[3], now)}
		first := newFar()
		first.room = len(entries[1].JSON) + 1 + 20 // breaks within the last line
		first.moves = func(written int) int { return written }
		s, d := opened(t, Nature{Found: true}, telling{first}, func(c *Config) { c.SkipAfter = strict.Duration(time.Minute) })
		if n, err := s.Deliver(t.Context(), entries); n != 1 || err == nil {
			t.Fatal(n, err)
		}
		if told := s.Receipts(); len(told) != 1 || told[0].ID != entries[0].ID {
			t.Errorf("told of %+v, and only the first is passed", told)
		}
		second := newFar()
		d <- telling{second}
		if n, err := s.Deliver(t.Context(), entries[1:]); n != 3 || err != nil {
			t.Fatal(n, err)
		}
		if told := s.Receipts(); len(told) != 1 || told[0].ID != entries[2].ID {
			t.Errorf("then told of %+v", told)
		}
		if got := strings.Count(string(second.text), "\n"); got != 2 {
			t.Errorf("%d lines", got)
		}
	})
}
