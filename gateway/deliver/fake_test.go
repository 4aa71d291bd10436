package deliver

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var errClosed = errors.New("closed")

// fakeLog is a journal in memory. What SetCursor is told is lost in a crash unless it was kept before; Park keeps at once.
type fakeLog struct {
	mu      sync.Mutex
	entries []record.Entry
	moved   chan struct{}
	closed  bool
	full    bool // nothing can be recorded
	broken  bool // nothing can be read
	cursor  uint64
	durable uint64
	parked  []string // ids
	aside   []record.SetAside
	goal    string
	notice  uint64 // of the last parked
	notes   map[string]note
	first   map[uint64]uint64 // entry → the first that releases it
	told    uint64            // entries of the last checkpoint that was acknowledged
	toldAt  time.Time
}

type note struct {
	text string
	seq  uint64
}

func newLog(entries ...record.Entry) *fakeLog {
	return &fakeLog{entries: slices.Clone(entries), moved: make(chan struct{}), notes: map[string]note{}, first: map[uint64]uint64{}}
}

func (l *fakeLog) locked(f func()) {
	l.mu.Lock()
	defer l.mu.Unlock()
	f()
	close(l.moved)
	l.moved = make(chan struct{})
}

// add appends entries as the intake would.
func (l *fakeLog) add(entries ...record.Entry) {
	l.locked(func() { l.entries = append(l.entries, entries...) })
}

func (l *fakeLog) Head() uint64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	return uint64(len(l.entries))
}

func (l *fakeLog) Read(_ context.Context, after uint64, max int) ([]record.Entry, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.broken {
		return nil, errors.New("disk error")
	}
	rest := l.entries[after:]
	return slices.Clone(rest[:min(len(rest), max)]), nil
}

func (l *fakeLog) Wait(ctx context.Context, after uint64) error {
	for {
		l.mu.Lock()
		head, moved, closed := uint64(len(l.entries)), l.moved, l.closed
		l.mu.Unlock()
		switch {
		case closed:
			return errClosed
		case head > after:
			return nil
		}
		select {
		case <-moved:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (l *fakeLog) Cursor(string) (uint64, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.cursor, nil
}

func (l *fakeLog) SetCursor(_ string, seq uint64) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if seq < l.cursor {
		panic("the cursor went back")
	}
	l.cursor = seq
	return nil
}

func (l *fakeLog) Park(ctx context.Context, _ string, e record.Entry, body *record.Parked) error {
	if _, err := l.Append(ctx, body); err != nil {
		return err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if body.Entry != e.Seq || body.EntryID != e.ID {
		return fmt.Errorf("parked %s as %s", e.ID, body.EntryID)
	}
	l.aside = slices.DeleteFunc(l.aside, func(p record.SetAside) bool { return p.Entry == e.Seq })
	l.aside = append(l.aside, record.SetAside{Entry: e.Seq, Notice: body.Seq})
	if !slices.Contains(l.parked, e.ID) {
		l.parked = append(l.parked, e.ID)
	}
	l.cursor, l.durable, l.notice = max(l.cursor, e.Seq), max(l.durable, e.Seq), body.Seq
	return nil
}

func (l *fakeLog) Parked(string) ([]record.SetAside, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.aside), nil
}

func (l *fakeLog) Unpark(ctx context.Context, _ string, seqs []uint64, bodies ...record.Body) error {
	if _, err := l.Append(ctx, bodies...); err != nil {
		return err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, seq := range seqs {
		l.aside = slices.DeleteFunc(l.aside, func(p record.SetAside) bool { return p.Entry == seq })
		l.parked = slices.DeleteFunc(l.parked, func(id string) bool { return id == l.entries[seq-1].ID })
	}
	return nil
}

func (l *fakeLog) ParkAgain(ctx context.Context, _ string, seqs []uint64, body record.Body) error {
	made, err := l.Append(ctx, body)
	if err != nil {
		return err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	for i, p := range l.aside {
		if slices.Contains(seqs, p.Entry) {
			l.aside[i].Notice, l.notice = made[0].Seq, made[0].Seq
		}
	}
	return nil
}

func (l *fakeLog) Goal(string) (string, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.goal, nil
}

func (l *fakeLog) Settle(ctx context.Context, _ string, seq uint64, goal string, bodies ...record.Body) error {
	if _, err := l.Append(ctx, bodies...); err != nil {
		return err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.cursor, l.durable, l.goal = seq, seq, goal
	return nil
}

func (l *fakeLog) SetAside(string) (int, uint64, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.parked), l.notice, nil
}

func (l *fakeLog) Append(_ context.Context, bodies ...record.Body) ([]record.Entry, error) {
	var made []record.Entry
	var err error
	l.locked(func() {
		if l.full {
			err = errors.New("the disk is full")
			return
		}
		for _, b := range bodies {
			seq := uint64(len(l.entries) + 1)
			*b.Identity() = record.Head{Schema: b.Kind().Schema(), ID: record.EntryID("north-seed-bank", "7qx3", "", seq), Seq: seq}
			raw, merr := json.Marshal(b)
			if merr != nil {
				panic(merr)
			}
			e := record.Entry{Seq: seq, Kind: b.Kind(), ID: b.Identity().ID, JSON: raw}
			l.entries, made = append(l.entries, e), append(made, e)
			if rel, ok := b.(*record.HeldReleased); ok {
				for _, ref := range rel.Entries {
					if l.first[ref.Seq] == 0 {
						l.first[ref.Seq] = seq
					}
				}
			}
		}
	})
	return made, err
}

func (l *fakeLog) Remember(ctx context.Context, name, text string, bodies ...record.Body) error {
	made, err := l.Append(ctx, bodies...)
	if err != nil {
		return err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	n := note{text, uint64(len(l.entries))}
	if len(made) > 0 {
		n.seq = made[0].Seq
	}
	l.notes[name], l.durable = n, l.cursor
	return nil
}

func (l *fakeLog) Remembered(name string) (string, uint64, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.notes[name].text, l.notes[name].seq, nil
}

func (l *fakeLog) Released(_ context.Context, seqs []uint64) ([]uint64, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	var notices []uint64
	for _, seq := range seqs {
		notices = append(notices, l.first[seq])
	}
	return notices, nil
}

func (l *fakeLog) Acknowledged(_ string, seq uint64, at time.Time) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.told, l.toldAt = seq, at
	return nil
}

func (l *fakeLog) Checkpoint(context.Context) (uint64, []byte, error) {
	head := l.Head()
	return head, fmt.Appendf(nil, "head %d", head), nil
}

// kinds lists the kinds of what was recorded after a sequence.
func (l *fakeLog) kinds(after int) []record.Kind {
	l.mu.Lock()
	defer l.mu.Unlock()
	var list []record.Kind
	for _, e := range l.entries[after:] {
		list = append(list, e.Kind)
	}
	return list
}

// call is one Deliver as the sink saw it.
type call struct {
	at  time.Time
	ids []string
}

// fakeSink answers as its test says and notes what it was asked.
type fakeSink struct {
	answer func(ctx context.Context, entries []record.Entry) (int, error) // nil: takes everything

	mu     sync.Mutex
	calls  []call
	took   []record.Entry
	closed bool
}

func (s *fakeSink) Deliver(ctx context.Context, entries []record.Entry) (int, error) {
	c := call{at: time.Now()}
	for _, e := range entries {
		c.ids = append(c.ids, e.ID)
	}
	s.mu.Lock()
	s.calls = append(s.calls, c)
	answer := s.answer
	s.mu.Unlock()
	n, err := len(entries), error(nil)
	if answer != nil {
		n, err = answer(ctx, entries)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if n > 0 && n <= len(entries) {
		s.took = append(s.took, entries[:n]...)
	}
	return n, err
}

func (s *fakeSink) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	return nil
}

func (s *fakeSink) takes(answer func(context.Context, []record.Entry) (int, error)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.answer = answer
}

func (s *fakeSink) seen() []call {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.calls)
}

func (s *fakeSink) got() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	var ids []string
	for _, e := range s.took {
		ids = append(ids, e.ID)
	}
	return ids
}

// testSink is a fakeSink, or one that can do more.
type testSink interface {
	sinks.Sink
	base() *fakeSink
}

func (s *fakeSink) base() *fakeSink { return s }

// rig is a Runner at work on a fake log and a fake sink.
type rig struct {
	*Runner
	log    *fakeLog
	sink   *fakeSink
	board  *health.Board
	cancel context.CancelFunc
	ended  chan error
}

func testConfig() Config {
	c := *Default()
	c.ID = "archive"
	return c
}

// start runs a Runner in the test's bubble; stop ends it.
func start(t *testing.T, l *fakeLog, s testSink, change ...func(*Config, *Deps)) *rig {
	t.Helper()
	cfg, deps := testConfig(), Deps{
		Board: health.New(time.Now),
		Stamp: func() record.Stamp { return record.Stamp{UTC: record.UTC(time.Now()), Clock: record.ClockUnchecked} },
	}
	for _, f := range change {
		f(&cfg, &deps)
	}
	report := strict.NewReport("test")
	cfg.Check(report)
	if err := report.Faults().Err(); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	r := &rig{Runner: New(l, s, cfg, deps), log: l, sink: s.base(), board: deps.Board, cancel: cancel, ended: make(chan error, 1)}
	go func() { r.ended <- r.Run(ctx) }()
	return r
}

func (r *rig) stop(t *testing.T) {
	t.Helper()
	r.cancel()
	if err := <-r.ended; err != nil {
		t.Fatalf("Run ended with %v", err)
	}
	if !r.sink.closed {
		t.Fatal("the sink was not closed")
	}
}

// conditions lists the codes that hold.
func (r *rig) conditions() []string {
	var codes []string
	for _, c := range r.board.List() {
		codes = append(codes, c.Code)
	}
	return codes
}

// place is where the cursor stands.
func (l *fakeLog) place() uint64 {
	seq, _ := l.Cursor("")
	return seq
}
