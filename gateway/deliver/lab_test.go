package deliver_test

import (
	"bytes"
	"context"
	"encoding/json"
	"slices"
	"testing"
	"time"

	"weighpost/gateway/deliver"
	"weighpost/gateway/health"
	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

var _ deliver.Log = (*journal.Journal)(nil)

// lab is a real journal with one Runner and a real sink behind it.
type lab struct {
	t      *testing.T
	dir    string
	j      *journal.Journal
	open   func() sinks.Sink
	change func(*deliver.Config)
	board  *health.Board
	r      *deliver.Runner
	stop   func()
	sent   []record.Entry
}

func newLab(t *testing.T, open func() sinks.Sink) *lab {
	return newLabWith(t, open, func(*deliver.Config) {})
}

// newLabWith is newLab with another configuration.
func newLabWith(t *testing.T, open func() sinks.Sink, change func(*deliver.Config)) *lab {
	l := &lab{t: t, dir: t.TempDir(), open: open, change: change, board: health.New(time.Now), stop: func() {}}
	l.j = journaltest.Open(t, journal.Options{Dir: l.dir, Site: "north-seed-bank"})
	l.run()
	t.Cleanup(func() { l.stop() })
	return l
}

// run starts a Runner where the last one ended, with waits that suit a test.
func (l *lab) run() {
	cfg := *deliver.Default()
	cfg.ID = "far-side"
	cfg.RetryMin, cfg.RetryMax = strict.Duration(5*time.Millisecond), strict.Duration(40*time.Millisecond)
	cfg.Probe, cfg.Deadline = strict.Duration(50*time.Millisecond), strict.Duration(5*time.Second)
	l.change(&cfg)
	l.r = deliver.New(l.j, l.open(), cfg, deliver.Deps{Board: l.board, Stamp: func() record.Stamp {
		return record.Stamp{UTC: record.UTC(time.Now().UTC()), Clock: record.ClockUnchecked}
	}})
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- l.r.Run(ctx) }()
	l.stop = func() {
		cancel()
		if err := <-ended; err != nil {
			l.t.Errorf("Run: %v", err)
		}
		l.stop = func() {}
	}
}

// weigh records n weighings.
func (l *lab) weigh(n int, seed uint64) []record.Entry {
	l.t.Helper()
	var bodies []record.Body
	for _, e := range sinktest.Weighings(n, seed) {
		w := new(record.Weighing)
		if err := json.Unmarshal(e.JSON, w); err != nil {
			l.t.Fatal(err)
		}
		w.Head = record.Head{}
		bodies = append(bodies, w)
	}
	entries, err := l.j.Append(l.t.Context(), bodies...)
	if err != nil {
		l.t.Fatal(err)
	}
	l.sent = append(l.sent, entries...)
	return entries
}

// until waits for a state.
func (l *lab) until(what string, holds func() bool) {
	l.t.Helper()
	deadline := time.Now().Add(60 * time.Second)
	for !holds() {
		if time.Now().After(deadline) {
			l.t.Fatalf("a minute has passed and still not: %s (%+v, %+v)", what, l.r.Status(), l.board.List())
		}
		time.Sleep(2 * time.Millisecond)
	}
}

func (l *lab) has(code string) bool {
	return slices.ContainsFunc(l.board.List(), func(c health.Condition) bool { return c.Code == code })
}

// caughtUp waits until nothing is left to be delivered.
func (l *lab) caughtUp() {
	l.t.Helper()
	l.until("everything is delivered or parked", func() bool {
		s := l.r.Status()
		return s.Lag == 0 && s.State == deliver.Working
	})
}

// parked lists the ids of what was set aside.
func (l *lab) parked() map[string]bool {
	l.t.Helper()
	list, err := l.j.Parked("far-side")
	if err != nil {
		l.t.Fatal(err)
	}
	ids := make(map[string]bool)
	for _, p := range list {
		e, err := l.j.Read(l.t.Context(), p.Entry-1, 1)
		if err != nil || len(e) != 1 {
			l.t.Fatalf("the parked entry %d: %v", p.Entry, err)
		}
		ids[e[0].ID] = true
	}
	return ids
}

// judge compares what arrived with what was recorded: every entry is there, byte for byte, or parked; first arrivals are in
// the order of the journal.
func (l *lab) judge(arrived [][]byte, ordered bool) {
	l.t.Helper()
	sent := make(map[string]record.Entry)
	for _, e := range l.sent {
		sent[e.ID] = e
	}
	seen, last := make(map[string]bool), uint64(0)
	for _, raw := range arrived {
		e, err := record.ParseEntry(raw)
		if err != nil {
			l.t.Fatal(err)
		}
		if !bytes.Equal(sent[e.ID].JSON, raw) {
			l.t.Fatalf("%s arrived and is not what was recorded: %s", e.ID, raw)
		}
		if ordered && !seen[e.ID] {
			if e.Seq < last {
				l.t.Fatalf("%s arrived for the first time after a later one", e.ID)
			}
			last = e.Seq
		}
		seen[e.ID] = true
	}
	parked := l.parked()
	for _, e := range l.sent {
		if seen[e.ID] == parked[e.ID] {
			l.t.Errorf("%s: arrived %v, parked %v", e.ID, seen[e.ID], parked[e.ID])
		}
	}
	l.t.Logf("%d recorded, %d arrivals, %d parked", len(l.sent), len(arrived), len(parked))
}
