package session

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/parsers/strict"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// table is a table with a clock that the test sets, and notes what ends.
type table struct {
	*Table
	now    time.Time
	config Config
	shifts []TimeOfDay
	loc    *time.Location
	mu     sync.Mutex
	ended  []string
}

func newTable(c Config) *table {
	t := &table{now: time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC), config: c, loc: time.UTC}
	t.Table = New(Options{
		Config: func() Config { return t.config },
		Shifts: func() ([]TimeOfDay, *time.Location) { return t.shifts, t.loc },
		Now:    func() time.Time { return t.now },
		Ended: func(e Ended) {
			t.mu.Lock()
			t.ended = append(t.ended, e.Person+" "+string(e.Cause))
			t.mu.Unlock()
		},
	})
	return t
}

func (t *table) start(tt *testing.T, person, balance string) (Session, string) {
	tt.Helper()
	s, secret, err := t.Start(Session{Person: person, Balance: balance})
	if err != nil {
		tt.Fatal(err)
	}
	return s, secret
}

func (t *table) good(secret string) bool {
	_, err := t.Peek(secret)
	return err == nil
}

func (t *table) checkEnded(tt *testing.T, want ...string) {
	tt.Helper()
	t.mu.Lock()
	defer t.mu.Unlock()
	if !slices.Equal(t.ended, want) {
		tt.Errorf("ended %q, not %q", t.ended, want)
	}
	t.ended = nil
}

// TestSecrets: at least 128 bits, of which no more than a hash is kept, and never the same (OWASP ASVS 5.0, 7.2.3 [from memory]).
func TestSecrets(t *testing.T) {
	x := newTable(Config{All: 1000, PerPerson: 1000})
	seen := map[string]bool{}
	for range 100 {
		s, secret := x.start(t, "p-1", "")
		if b, err := hex.DecodeString(secret); err != nil || len(b)*8 < 128 || seen[secret] || seen[s.ID] {
			t.Fatalf("%q of %q", secret, s.ID)
		}
		seen[secret], seen[s.ID] = true, true
		for key, h := range x.bySecret {
			if hex.EncodeToString(key[:]) == secret || h.s.ID == secret || x.good(h.s.ID) {
				t.Fatal("the secret itself is kept, or the public id is as good")
			}
		}
	}
	for _, bad := range []string{"", "x", string(make([]byte, 1<<20))} {
		if _, err := x.Find(bad); !errors.Is(err, rights.ErrNoSession) {
			t.Errorf("%.10q: %v", bad, err)
		}
	}
}

func TestIdleAndAbsoluteEnd(t *testing.T) {
	x := newTable(Config{})
	s, secret := x.start(t, "p-1", "")
	if want := x.now.Add(12 * time.Hour); !s.Until.Equal(want) {
		t.Errorf("until %s", s.Until)
	}
	for range 24 { // used every half hour but a second
		x.now = x.now.Add(30*time.Minute - time.Second)
		if _, err := x.Find(secret); err != nil {
			t.Fatalf("%s: %v", x.now, err)
		}
	}
	x.now = s.Until.Add(-time.Second)
	if _, err := x.Find(secret); err != nil {
		t.Error(err)
	}
	x.now = s.Until
	if _, err := x.Find(secret); err == nil {
		t.Error("use moved the absolute end")
	}
	x.checkEnded(t, "p-1 absolute")

	_, used := x.start(t, "p-1", "")
	_, peeked := x.start(t, "p-2", "")
	_, bench := x.start(t, "p-3", "b-1")
	for range 3 {
		x.now = x.now.Add(11 * time.Minute)
		_, _ = x.Find(used)
		_, _ = x.Peek(peeked)
	}
	if !x.good(used) || x.good(peeked) || x.good(bench) {
		t.Error("looking by itself counts as use, or use does not")
	}
	x.Sweep()
	x.checkEnded(t, "p-2 idle", "p-3 idle")
}

// TestClocksThatAreSet: a clock that is set back gives no time, one that is set forward or a computer that slept takes it.
func TestClocksThatAreSet(t *testing.T) {
	x := newTable(Config{})
	_, secret := x.start(t, "p-1", "")
	x.now = x.now.Add(-time.Hour)
	if !x.good(secret) {
		t.Error("a clock that is set back ends a session")
	}
	x.now = x.now.Add(13 * time.Hour)
	if x.good(secret) {
		t.Error("a session outlasts its end")
	}
	for name, set := range map[string]func(h *held){
		"the wall clock was set back": func(h *held) { h.wall.Add(int64(time.Hour)) },
		"the computer slept":          func(h *held) { h.mono.Add(int64(31 * time.Minute)) },
	} {
		x := newTable(Config{})
		s, secret := x.start(t, "p-1", "")
		set(x.byID[s.ID])
		x.now = x.now.Add(29 * time.Minute)
		if !x.good(secret) {
			t.Errorf("%s: it ends too early", name)
		}
		if x.now = x.now.Add(2 * time.Minute); x.good(secret) {
			t.Errorf("%s: an unused session goes on", name)
		}
	}
}

// TestTheBalanceCountsOnlyWhereThePolicySaysSo.
func TestTheBalanceCountsOnlyWhereThePolicySaysSo(t *testing.T) {
	for _, counts := range []bool{false, true} {
		x := newTable(Config{BalanceCounts: counts})
		_, here := x.start(t, "p-1", "b-1")
		_, page := x.start(t, "p-1", "")
		for range 4 {
			x.now = x.now.Add(10 * time.Minute)
			x.Present("b-1")
			x.Present("b-2")
		}
		if x.good(here) != counts || x.good(page) {
			t.Errorf("balance_counts %t: at the bench %t, elsewhere %t", counts, x.good(here), x.good(page))
		}
		if _, there := x.Bench("b-1"); there != counts {
			t.Errorf("balance_counts %t: at the bench %t", counts, there)
		}
		x.now = x.now.Add(12 * time.Hour)
		if x.Present("b-1"); x.good(here) {
			t.Error("a balance moves the absolute end")
		}
	}
}

func TestAnotherPersonAtTheBench(t *testing.T) {
	x := newTable(Config{})
	_, first := x.start(t, "p-1", "b-1")
	_, other := x.start(t, "p-1", "b-2")
	s, second := x.start(t, "p-2", "b-1")
	x.checkEnded(t, "p-1 another-person")
	if at, ok := x.Bench("b-1"); !ok || at.ID != s.ID || x.good(first) || !x.good(second) || !x.good(other) {
		t.Errorf("%+v", at)
	}
	x.start(t, "p-2", "b-1")
	x.checkEnded(t, "p-2 again")
	if x.End(s.ID, Asked, nil) {
		t.Error("a session ends twice")
	}
	x.checkEnded(t)
}

func TestEnds(t *testing.T) {
	x := newTable(Config{})
	a, one := x.start(t, "p-1", "")
	b, two := x.start(t, "p-1", "b-1")
	_, other := x.start(t, "p-2", "")
	if !x.End(a.ID, Asked, nil) || x.good(one) || !x.good(two) {
		t.Error("asked")
	}
	x.start(t, "p-1", "")
	if n := x.EndPerson("p-1", b.ID, SecretChanged, nil); n != 1 || !x.good(two) || !x.good(other) {
		t.Errorf("%d ended", n)
	}
	if n := x.EndPerson("p-1", "", Disabled, &record.Actor{ID: "p-9"}); n != 1 || x.good(two) {
		t.Errorf("%d ended", n)
	}
	if n := x.EndAll(Everywhere, nil); n != 1 || x.good(other) || len(x.List("")) != 0 {
		t.Errorf("%d ended", n)
	}
	x.checkEnded(t, "p-1 asked", "p-1 secret-changed", "p-1 disabled", "p-2 everywhere")
	if len(x.bySecret)+len(x.byID)+len(x.people)+len(x.benches) != 0 {
		t.Error("something is left of what ended")
	}
}

// TestFixation: a secret that somebody had before a change of what the session may do is worth nothing after it.
func TestFixation(t *testing.T) {
	x := newTable(Config{})
	s, before := x.start(t, "p-1", "b-1")
	x.now = x.now.Add(time.Minute)
	again, after, err := x.Renew(s.ID, func(s *Session) { s.Must, s.Person, s.Until = true, "p-2", time.Time{} })
	if err != nil || after == before || x.good(before) || !x.good(after) {
		t.Fatalf("%v", err)
	}
	if again.ID != s.ID || !again.Must || again.Person != "p-1" || !again.Until.Equal(s.Until) {
		t.Errorf("%+v", again)
	}
	x.checkEnded(t)
	x.now = s.Until
	if _, _, err := x.Renew(s.ID, nil); !errors.Is(err, rights.ErrNoSession) {
		t.Errorf("one that ended is renewed: %v", err)
	}
}

func TestHowMany(t *testing.T) {
	x := newTable(Config{PerPerson: 2, All: 10})
	_, a := x.start(t, "p-1", "")
	x.now = x.now.Add(time.Minute)
	_, b := x.start(t, "p-1", "")
	x.now = x.now.Add(time.Minute)
	_, _ = x.Find(a)
	x.start(t, "p-1", "")
	if !x.good(a) || x.good(b) {
		t.Error("not the least used one has ended")
	}
	x.checkEnded(t, "p-1 too-many")
	for i := range 8 {
		x.start(t, fmt.Sprint("q-", i), "")
	}
	if _, _, err := x.Start(Session{Person: "p-2"}); !errors.Is(err, ErrFull) {
		t.Errorf("%v", err)
	}
	x.now = x.now.Add(time.Hour)
	x.start(t, "p-2", "") // those that are over make room
	if n := len(x.List("")); n != 1 {
		t.Errorf("%d sessions", n)
	}
}

func TestShiftEnds(t *testing.T) {
	x := newTable(Config{})
	x.shifts = []TimeOfDay{{14, 0}, {22, 0}}
	s, secret := x.start(t, "p-1", "b-1")
	if want := time.Date(2026, 11, 25, 14, 0, 0, 0, time.UTC); !s.Until.Equal(want) {
		t.Errorf("until %s", s.Until)
	}
	for x.now = s.Since; x.now.Before(s.Until); x.now = x.now.Add(10 * time.Minute) {
		if _, err := x.Find(secret); err != nil {
			t.Fatal(err)
		}
	}
	if x.good(secret) {
		t.Error("somebody is signed in over the end of the shift")
	}
	_, next := x.start(t, "p-2", "b-2") // before anybody swept
	x.Sweep()
	x.checkEnded(t, "p-1 shift")
	x.shifts = []TimeOfDay{{16, 0}}
	x.Reload()
	if l := x.List("p-2"); len(l) != 1 || l[0].Until.Hour() != 16 {
		t.Errorf("after a reload: %v", l)
	}
	x.config.Idle, x.config.BenchIdle = strict.Duration(time.Minute), strict.Duration(time.Minute)
	x.now = x.now.Add(2 * time.Minute)
	x.Reload()
	x.checkEnded(t, "p-2 idle")
	_ = next
}

// TestOneEndIsToldOnce, whoever ends it, from many goroutines.
func TestOneEndIsToldOnce(t *testing.T) {
	x := newTable(Config{PerPerson: 3, All: 50})
	var all sync.WaitGroup
	started := 0
	var mu sync.Mutex
	for i := range 8 {
		all.Go(func() {
			for j := range 100 {
				s, secret, err := x.Start(Session{Person: fmt.Sprint("p-", j%5), Balance: []string{"", "b-1", "b-2"}[j%3]})
				if err != nil {
					continue
				}
				mu.Lock()
				started++
				mu.Unlock()
				_, _ = x.Find(secret)
				x.Present("b-1")
				switch (i + j) % 4 {
				case 0:
					x.End(s.ID, Asked, nil)
				case 1:
					x.EndPerson(s.Person, s.ID, Everywhere, nil)
				case 2:
					_, _, _ = x.Renew(s.ID, nil)
				}
			}
		})
	}
	all.Wait()
	x.EndAll(Everywhere, nil)
	if len(x.ended) != started || len(x.bySecret)+len(x.byID)+len(x.people)+len(x.benches) != 0 {
		t.Errorf("%d started, %d ended; left: %d, %d, %d, %d", started, len(x.ended), len(x.bySecret), len(x.byID), len(x.people), len(x.benches))
	}
}

func TestRunEndsWhatIsDue(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		var ended []Ended
		x := New(Options{Ended: func(e Ended) { ended = append(ended, e) }})
		done := make(chan struct{})
		go func() { x.Run(ctx); close(done) }()
		from := time.Now()
		if _, _, err := x.Start(Session{Person: "p-1"}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(30*time.Minute + 2*time.Second)
		synctest.Wait()
		if len(ended) != 1 || ended[0].Cause != Idle || ended[0].At.Sub(from) > 30*time.Minute+2*time.Second {
			t.Errorf("%+v", ended)
		}
		cancel()
		<-done
	})
}

func BenchmarkFind(b *testing.B) {
	x := New(Options{})
	var secrets []string
	for i := range 1000 {
		_, s, _ := x.Start(Session{Person: fmt.Sprint("p-", i)})
		secrets = append(secrets, s)
	}
	for i := 0; b.Loop(); i++ {
		if _, err := x.Find(secrets[i%len(secrets)]); err != nil {
			b.Fatal(err)
		}
	}
}
