package intake

import (
	"context"
	"slices"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
)

// lasting is a fake of people whose sessions have an end each, and that keeps who left.
type lasting struct {
	mu    sync.Mutex
	until map[string]time.Time
	bench string
	left  []string
	found []string
}

func (l *lasting) Badge(_ context.Context, b Badge) (record.ContextItem, error) {
	if b.Code == "1" {
		time.Sleep(100 * time.Millisecond)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.found = append(l.found, b.Code)
	return record.ContextItem{ID: "p-" + b.Code, Name: "Ada", Role: "operator", How: record.ActorBadge, Session: "s-" + b.Code}, nil
}

func (l *lasting) Lasting(s string) (string, time.Time, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	until := l.until[s]
	return l.bench, until, time.Now().Before(until)
}

func (l *lasting) Used(string) {}

func (l *lasting) Left(one Left) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.left = append(l.left, one.Session+" "+one.Cause)
}

// TestTheStampDecidesAtTheEndOfASession: a frame whose last byte came before the end is whose session it was, however late it is dealt
// with; one that came at the end or after it is nobody's, however soon.
func TestTheStampDecidesAtTheEndOfASession(t *testing.T) {
	people := &lasting{until: map[string]time.Time{}}
	bodies := inBubble(t, anchored, withBadges, func(t *testing.T, b *bench, h port.Handler) {
		b.people, people.bench = people, b.cfg.ID
		scan := scans(b)
		prints(h, "W 1.000 g S")
		end := time.Now().Add(10 * time.Minute).Truncate(time.Second)
		people.mu.Lock()
		people.until["s-1"] = end
		people.mu.Unlock()
		scan("B:1\r")
		scan("LOT-1\r")
		time.Sleep(time.Until(end) - 20*time.Millisecond)
		at := time.Now()
		h.Bytes([]byte("W 2.000 g S\n"), port.Arrival{At: at, Emptied: at}) // before the end, and dealt with after it
		time.Sleep(20 * time.Millisecond)
		at = time.Now()
		h.Bytes([]byte("W 3.000 g S\n"), port.Arrival{At: at, Emptied: at})
		time.Sleep(2 * time.Second)
		if v := b.Context().Items; len(v) != 0 {
			t.Errorf("after the session: %+v", v)
		}
	})
	if got := persons(bodies); got != "/ p-1/LOT-1 /" {
		t.Error(got)
	}
	if !slices.Equal(people.left, []string{"s-1 bench"}) {
		t.Error(people.left)
	}
}

// TestASessionThatEndedTiesNobody: between a sign-in and the moment at which the balance hears of it.
func TestASessionThatEndedTiesNobody(t *testing.T) {
	people := &lasting{until: map[string]time.Time{}}
	bodies := inBubble(t, anchored, withBadges, func(t *testing.T, b *bench, h port.Handler) {
		b.people, people.bench = people, b.cfg.ID
		people.until["s-2"] = time.Now().Add(time.Hour)
		scan := scans(b)
		scan("B:2\r")
		scan("B:1\r") // its session is over when it comes
		prints(h, "W 1.000 g S")
		_, err := b.SetContext(t.Context(), record.ContextRequest{By: record.ByTyped, Person: &record.ContextItem{ID: "p-1", How: record.ActorPassword, Session: "s-1"}, At: time.Now()})
		if err == nil {
			t.Error("somebody whose session ended is taken")
		}
		prints(h, "W 2.000 g S")
	})
	if got := persons(bodies); got != "/ /" {
		t.Error(got)
	}
	if !slices.Contains(people.left, "s-2 bench") || !slices.Contains(people.left, "s-1 bench") {
		t.Error(people.left)
	}
}

// TestTwoBadgesAtOnceAreTakenInTheirOrder: the session of the earlier one ends, whichever is found out first.
func TestTwoBadgesAtOnceAreTakenInTheirOrder(t *testing.T) {
	people := &lasting{until: map[string]time.Time{}}
	bodies := inBubble(t, anchored, withBadges, func(t *testing.T, b *bench, h port.Handler) {
		b.people, people.bench = people, b.cfg.ID
		for _, s := range []string{"s-1", "s-2"} {
			people.until[s] = time.Now().Add(time.Hour)
		}
		scan := scans(b)
		scan("B:1\rB:2\r")
		prints(h, "W 1.000 g S")
	})
	if got := persons(bodies); got != "p-2/" || !slices.Contains(people.left, "s-1 bench") || slices.Contains(people.left, "s-2 bench") || !slices.Equal(people.found, []string{"1", "2"}) {
		t.Error(got, people.left, people.found)
	}
}
