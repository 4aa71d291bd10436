package intake

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
)

// staff is a fake of who has which badge, and takes its time.
type staff struct {
	takes time.Duration
	by    map[string]record.ContextItem
}

func (s *staff) Badge(ctx context.Context, b Badge) (record.ContextItem, error) {
	select {
	case <-time.After(s.takes):
	case <-ctx.Done():
		return record.ContextItem{}, ctx.Err()
	}
	who, ok := s.by[b.Code]
	if !ok {
		return who, errors.New("this badge belongs to nobody who may sign in here")
	}
	return who, nil
}

func (*staff) Lasting(string) (string, time.Time, bool) { return "", time.Time{}, true }
func (*staff) Used(string)                              {}
func (*staff) Left(Left)                                {}

func newStaff(takes time.Duration) *staff {
	return &staff{takes: takes, by: map[string]record.ContextItem{
		"1": {ID: "p-07", Name: "Ada", Role: "operator", How: record.ActorBadge}, "2": {ID: "p-08", Name: "Ben", Role: "operator", How: record.ActorBadge}, "bad": {ID: "p\x1b"}}}
}

func withBadges(c *Config) {
	c.Scanner = &ScannerConfig{Port: port.Config{Address: "/dev/ttyS8"}, Rules: []ScanRule{
		{Prefix: "B:", Item: "person", Badge: true, Strip: true}, {Prefix: "P-", Item: "person"}, {Prefix: "LOT-", Item: "sample"}, {Prefix: "END", SignOut: true}}}
}

// atBench runs a balance with badges, where finding out whose one is takes a while.
func atBench(t *testing.T, takes time.Duration, act func(b *bench, h port.Handler, scan func(string, time.Duration))) []record.Body {
	t.Helper()
	return inBubble(t, anchored, withBadges, func(t *testing.T, b *bench, h port.Handler) {
		b.people = newStaff(takes)
		b.scan.Up(time.Now())
		time.Sleep(time.Second)
		act(b, h, func(text string, after time.Duration) {
			at := time.Now()
			b.scan.Bytes([]byte(text+"\r"), port.Arrival{At: at, Emptied: at})
			time.Sleep(after)
		})
	})
}

// persons is who weighed, and what, weighing by weighing.
func persons(bodies []record.Body) string {
	var all []string
	for _, w := range weighings(bodies) {
		all = append(all, personOf(w)+"/"+sampleOf(w))
	}
	return strings.Join(all, " ")
}

func TestABadgeSignsInAtItsBalance(t *testing.T) {
	bodies := atBench(t, 20*time.Millisecond, func(b *bench, h port.Handler, scan func(string, time.Duration)) {
		scan("B:1", time.Second)
		if v := b.Context().Items; len(v) != 1 || v[0].ID != "p-07" || v[0].By != record.BySignedIn || v[0].Person != "Ada" || v[0].Role != "operator" || v[0].How != record.ActorBadge || v[0].From != "/dev/ttyS8" {
			t.Errorf("%+v", v)
		}
		scan("LOT-1", time.Second)
		prints(h, "W 1.000 g S")
		scan("LOT-2", time.Second)
		scan("B:2", time.Second) // another person: what was put on for the one before is not theirs
		prints(h, "W 2.000 g S")
		scan("END", time.Second)
		prints(h, "W 3.000 g S")
	})
	if got := persons(bodies); got != "p-07/LOT-1 p-08/ /" {
		t.Error(got)
	}
	if p := weighings(bodies)[0].Context.Person; p.Name != "Ada" || p.Role != "operator" || p.How != record.ActorBadge {
		t.Errorf("%+v", p)
	}
}

// TestAWeighingWaitsForTheBadge: printed while it is found out whose badge it is, for as long as weighings wait; after that it goes
// without a person, and keeps its sample. Never does it go with the person before.
func TestAWeighingWaitsForTheBadge(t *testing.T) {
	for takes, want := range map[time.Duration]string{
		100 * time.Millisecond: "p-07/LOT-1 p-08/LOT-2 p-08/",
		600 * time.Millisecond: "p-07/LOT-1 /LOT-2 p-08/",
	} {
		bodies := atBench(t, takes, func(b *bench, h port.Handler, scan func(string, time.Duration)) {
			scan("B:1", time.Second)
			scan("LOT-1", time.Second)
			prints(h, "W 1.000 g S")
			scan("B:2", 10*time.Millisecond)
			scan("LOT-2", 10*time.Millisecond)
			at := time.Now()
			h.Bytes([]byte("W 2.000 g S\n"), port.Arrival{At: at.Add(15 * time.Millisecond), Emptied: at})
			time.Sleep(2 * time.Second)
			prints(h, "W 3.000 g S")
		})
		if got := persons(bodies); got != want {
			t.Errorf("%s: %q, want %q", takes, got, want)
		}
	}
}

// TestABadgeThatSignsNobodyIn: unknown, disabled, not to be found out, or while nobody is configured. Whoever was signed in is not any
// more, and it is said loudly; the sample stays.
func TestABadgeThatSignsNobodyIn(t *testing.T) {
	for name, c := range map[string]struct {
		takes time.Duration
		badge string
		says  string
	}{
		"unknown":  {0, "B:9", "belongs to nobody"},
		"slow":     {10 * time.Second, "B:2", "within 5s"},
		"no id":    {0, "B:bad", "no id that can be recorded"},
		"nothing":  {0, "B:", "Nothing follows its prefix"},
		"controls": {0, "B:\x1b[2J", "cannot be seen"},
	} {
		bodies := atBench(t, c.takes, func(b *bench, h port.Handler, scan func(string, time.Duration)) {
			scan("P-07", time.Second)
			scan("LOT-1", time.Second)
			scan(c.badge, 8*time.Second)
			if l := b.board.List(); len(l) != 1 || !strings.Contains(l[0].Sentence, c.says) || !strings.Contains(l[0].Sentence, `"P-07" is not signed in any more`) {
				t.Errorf("%s: %+v", name, l)
			}
			prints(h, "W 1.000 g S")
		})
		if got := persons(bodies); got != "/LOT-1" {
			t.Errorf("%s: %q", name, got)
		}
	}
}

// TestTheLatestWordOnThePersonCounts: whatever comes while it is found out whose badge it is.
func TestTheLatestWordOnThePersonCounts(t *testing.T) {
	for then, want := range map[string]string{"B:2": "p-08", "P-09": "P-09", "END": "", "port": "", "B:9": ""} {
		bodies := atBench(t, 100*time.Millisecond, func(b *bench, h port.Handler, scan func(string, time.Duration)) {
			scan("B:1", 50*time.Millisecond)
			if then == "port" {
				h.Down(time.Now(), &port.Trouble{Code: port.CodeLost, Sentence: "The cable was pulled."})
				quietly(h)
			} else {
				scan(then, 0)
			}
			time.Sleep(time.Second)
			prints(h, "W 1.000 g S")
		})
		if got := persons(bodies); got != want+"/" {
			t.Errorf("%s: %q", then, got)
		}
	}
}

func TestSignedOutElsewhere(t *testing.T) {
	bodies := atBench(t, 0, func(b *bench, h port.Handler, scan func(string, time.Duration)) {
		scan("B:1", time.Second)
		scan("LOT-1", time.Second)
		if b.EndPerson("p-08", "They signed out.") || !b.EndPerson("p-07", "They signed out at the page.") || b.EndPerson("p-07", "Twice.") {
			t.Error("who weighs is mistaken")
		}
		time.Sleep(time.Second)
		prints(h, "W 1.000 g S")
	})
	if got := persons(bodies); got != "/" {
		t.Error(got)
	}
}

// TestTheShiftEnds: at its end nobody is signed in any more, and nothing of what they put on stays.
func TestTheShiftEnds(t *testing.T) {
	bodies := inBubble(t, anchored, func(c *Config) { withBadges(c); c.Context.Person.Idle = 86400e9; c.Context.Sample.For = 86400e9 }, func(t *testing.T, b *bench, h port.Handler) {
		b.people = newStaff(0)
		begin := time.Now()
		b.shiftEnd = func(after time.Time) time.Time {
			return begin.Add(after.Sub(begin).Truncate(2*time.Hour) + 2*time.Hour)
		}
		scan := scans(b)
		scan("B:1\r")
		scan("LOT-1\r")
		if until := b.Context().Items[0].Until; until == nil || !until.Time().Equal(begin.Add(2*time.Hour)) {
			t.Errorf("until %v", until)
		}
		time.Sleep(2 * time.Hour)
		if v := b.Context().Items; len(v) != 0 {
			t.Errorf("after the shift: %+v", v)
		}
		prints(h, "W 1.000 g S")
		scan("B:2\r")
		prints(h, "W 2.000 g S")
	})
	if got := persons(bodies); got != "/ p-08/" {
		t.Error(got)
	}
}
