package fitness_test

import (
	"context"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/fitness"
	"weighpost/gateway/journal/memory"
	"weighpost/gateway/record"
)

// lab is a room with a clock of its own.
type lab struct {
	t       *testing.T
	journal *memory.Journal
	room    *fitness.Room
	dir     string
	mu      sync.Mutex
	now     time.Time
	cfg     fitness.Config
	zone    *time.Location
	gone    bool // it is not in the settings
	end     func()
}

var ada = record.Actor{ID: "ada", By: record.ActorPassword}

func newLab(t *testing.T, cfg fitness.Config) *lab {
	l := &lab{t: t, journal: memory.New("lab"), dir: t.TempDir(), cfg: cfg, now: time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC), zone: time.UTC}
	l.start()
	t.Cleanup(func() { l.end() })
	return l
}

func (l *lab) start() {
	ctx, cancel := context.WithCancel(context.Background())
	l.room = fitness.New(fitness.Options{Dir: l.dir, Journal: l.journal, Zone: l.zone, Stamp: func() record.Stamp {
		l.mu.Lock()
		defer l.mu.Unlock()
		return record.Stamp{UTC: record.UTC(l.now), Clock: record.ClockChecked}
	}, Balances: func() []fitness.Balance {
		if l.gone {
			return nil
		}
		return []fitness.Balance{{Describe: record.Balance{ID: "b-12"}, Config: l.cfg}}
	}})
	done := make(chan struct{})
	go func() { defer close(done); l.room.Run(ctx) }()
	l.end = func() { cancel(); <-done }
	l.look()
}

func (l *lab) restart() {
	l.end()
	l.start()
}

func (l *lab) look() {
	l.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	if err := l.room.Look(ctx); err != nil {
		l.t.Fatal(err)
	}
}

func (l *lab) at(when time.Time) {
	l.t.Helper()
	l.mu.Lock()
	l.now = when
	l.mu.Unlock()
	l.look()
}

func (l *lab) later(d time.Duration) {
	l.t.Helper()
	l.mu.Lock()
	when := l.now.Add(d)
	l.mu.Unlock()
	l.at(when)
}

func (l *lab) state(want string) {
	l.t.Helper()
	if got := l.room.Of("b-12").State; got != want {
		l.t.Fatalf("the balance is %s, not %s", got, want)
	}
}

// check runs a check from begin to end.
func (l *lab) check(definition, why, outcome string, m *record.MinimumWeight) string {
	l.t.Helper()
	b := &record.CheckBegun{Check: record.CheckRef{Definition: definition}, Balance: record.Balance{ID: "b-12"}, Why: why, By: ada}
	l.does(l.room.Begin(l.t.Context(), b))
	l.state(record.InCheck)
	l.does(l.room.Step(l.t.Context(), &record.CheckStep{Check: b.Check, Balance: b.Balance, Step: 1, Name: "zero", Attempt: 1, Became: record.AttemptTaken, By: ada}))
	l.does(l.room.End(l.t.Context(), &record.CheckEnded{Check: b.Check, Balance: b.Balance, Outcome: outcome, MinimumWeight: m, By: ada}))
	return b.Check.ID
}

func (l *lab) does(err error) {
	l.t.Helper()
	if err != nil {
		l.t.Fatal(err)
	}
}

// weighs puts weighings into the journal, as the balance is now.
func (l *lab) weighs(n int) []record.EntryRef { return l.weighsAs(n, l.room.Now("b-12")) }

// weighsAs puts weighings into the journal that were printed while the balance was as now says.
func (l *lab) weighsAs(n int, now record.Fitness) (refs []record.EntryRef) {
	l.t.Helper()
	for range n {
		e, err := l.journal.Append(l.t.Context(), &record.Weighing{Balance: record.Balance{ID: "b-12"}, Fitness: now})
		l.does(err)
		refs = append(refs, record.EntryRef{Seq: e[0].Seq, ID: e[0].ID})
	}
	return refs
}

func (l *lab) kinds(k record.Kind) (n int) {
	entries, _ := l.journal.Read(l.t.Context(), 0, 1<<30)
	for _, e := range entries {
		if e.Kind == k {
			n++
		}
	}
	return n
}
