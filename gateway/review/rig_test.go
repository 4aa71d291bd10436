package review

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/journal/memory"
	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// The people of the seed bank. Ada and Ben perform every run here.
var (
	ada  = record.Actor{ID: "ada", Name: "Ada Quill", By: record.ActorPassword}
	ben  = record.Actor{ID: "ben", By: record.ActorPassword}
	cleo = record.Actor{ID: "cleo", By: record.ActorPassword}
	dan  = record.Actor{ID: "dan", By: record.ActorPassword}
	eve  = record.Actor{ID: "eve", By: record.ActorPassword}
	fay  = record.Actor{ID: "fay", By: record.ActorPassword}
	gus  = record.Actor{ID: "gus", By: record.ActorPassword}

	everybody = []record.Actor{ada, ben, cleo, dan, eve, fay, gus}
	able      = map[string]Able{"ada": {Run: true}, "ben": {true, true, true}, "cleo": {Review: true, Approve: true}, "dan": {Review: true}, "eve": {Approve: true},
		"fay": {Run: true}, "gus": {}}
)

// lots is a procedure of three weighings of a lot and their mean. The third weighing of every run here is outside its limits, and was allowed.
const lots = `procedure: lots
title: Mean of three
about: samples
most: 1
blocks:
- {name: thrice, times: "3"}
steps:
- {step: one, do: weigh, in: thrice, limits: {at_most: 12 g, from: the lab's own}}
- {step: average, do: compute, formula: mean(one), unit: g, round: 0.001 g, limits: {at_most: 12 g, from: the lab's own}}
results: [average]
`

var theLots = sync.OnceValues(func() (*procedure.Definition, error) { return procedure.Parse("lots", []byte(lots)) })

// house is a room under test over a journal in memory.
type house struct {
	*Room
	t       testing.TB
	dir     string
	journal *memory.Journal
	clock   atomic.Int64 // seconds
	cfg     Config
	policy  Policy
	def     *procedure.Definition
	end     func()

	mu       sync.Mutex
	doubts   map[uint64][]string
	requests map[record.RequestRef]record.LabRequest
	refused  func(what, why string, by record.Actor)
	n        int // of runs
}

func newHouse(t testing.TB) *house {
	t.Helper()
	def, err := theLots()
	if err != nil {
		t.Fatal(err)
	}
	h := &house{t: t, dir: t.TempDir(), journal: memory.New("seed-bank"), cfg: Default(), policy: Policy{Approvals: 1}, def: def, doubts: map[uint64][]string{},
		requests: map[record.RequestRef]record.LabRequest{}, refused: func(string, string, record.Actor) {}}
	h.open()
	t.Cleanup(func() { h.end() })
	return h
}

func (h *house) options() Options {
	return Options{Dir: h.dir, Journal: h.journal, Stamp: h.stamp, Config: func() Config { return h.cfg },
		Policy: func(record.ProcedureRef) (Policy, error) { return h.policy, nil },
		Again: func(begun *record.RunBegun, steps []*record.RunStep, corrections []*record.RunCorrected) (procedure.Found, []record.Reworked, error) {
			c, err := procedure.ChangesOf(corrections)
			if err != nil {
				return procedure.Found{}, nil, err
			}
			return procedure.Again(h.def, begun, steps, c)
		},
		Reread: func(_ context.Context, w *record.Weighing, layout string) (record.Value, error) {
			v := w.Value
			v.Digits = map[string]string{"sha256:a": "9.000", "sha256:b": w.Value.Digits}[layout]
			if v.Digits == "" {
				return v, &record.NotDone{Why: "the lab has no such layout"}
			}
			return v, nil
		},
		Doubts: func(_ string, seq uint64) []string {
			h.mu.Lock()
			defer h.mu.Unlock()
			return slices.Clone(h.doubts[seq])
		},
		Head: func(context.Context) (uint64, string, error) { return h.journal.Head(), "cm9vdA==", nil },
		Request: func(ref record.RequestRef) (record.LabRequest, bool) {
			q, known := h.requests[ref]
			return q, known
		},
		Refused: func(what, why string, by record.Actor) { h.refused(what, why, by) }}
}

func (h *house) stamp() record.Stamp {
	at := time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC).Add(time.Duration(h.clock.Add(1)) * time.Second)
	return record.Stamp{UTC: record.UTC(at), Zone: "+00:00", Clock: record.ClockChecked}
}

// open begins to look after the journal, as at a start.
func (h *house) open() {
	h.t.Helper()
	h.Room = New(h.options())
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan struct{})
	go func() { defer close(over); h.Run(ctx) }()
	h.end = func() { cancel(); <-over }
	h.Await(context.Background(), 10*time.Second)
}

func (h *house) must(err error) {
	h.t.Helper()
	if err != nil {
		h.t.Fatal(err)
	}
}

func (h *house) put(bodies ...record.Body) []record.Entry {
	h.t.Helper()
	list, err := h.journal.Append(h.t.Context(), bodies...)
	h.must(err)
	h.must(h.Reached(h.t.Context(), list[len(list)-1].Seq))
	return list
}

// performed is a run that has ended, with the entries of its weighings.
type performed struct {
	id        string
	begun     *record.RunBegun
	weighings []*record.Weighing
	steps     []*record.RunStep
}

// perform has a run begun, three weighings taken, and ended. digits are what the balance showed; left out: 10, 11 and 14 g, of which the last
// is outside its limits.
func (h *house) perform(state string, digits ...string) *performed {
	h.t.Helper()
	if digits == nil {
		digits = []string{"10.000", "11.000", "14.000"}
	}
	h.n++
	p := &performed{id: fmt.Sprintf("r-aaaaa-%06d", h.n)}
	ref := record.RunRef{ID: p.id, Procedure: record.ProcedureRef{Name: "lots", Version: 1, Hash: "sha256:00"}}
	at := record.Balance{ID: "b-1", Identity: "confirmed"}
	p.begun = &record.RunBegun{Run: ref, Balance: &at, Items: []record.RunItem{{Sample: "LOT-1"}}, By: ada, Stamp: h.stamp()}
	if q := (record.RequestRef{From: "lims", ID: p.id}); h.requests[q].ID != "" {
		p.begun.Request = &q
	}
	h.put(p.begun)
	run, err := procedure.Open(h.def, p.begun)
	h.must(err)
	step := func(list []*record.RunStep) {
		for _, s := range list {
			s.Run, s.Balance, s.Request, s.By, s.Stamp = ref, &at, p.begun.Request, ada, h.stamp()
			h.put(s)
			p.steps = append(p.steps, s)
			run.Apply(s)
		}
	}
	facts := procedure.Facts{Balance: at, MayAllow: true}
	for i, d := range digits {
		w := &record.Weighing{Balance: at, Value: record.Value{Digits: d, Unit: "g", PrintedUnit: "g", Kind: "net", Stability: "stable", Range: "in"}, Frame: []byte(d),
			Stamp: h.stamp(), Fitness: record.Fitness{State: record.InService}, Context: record.Context{Run: &record.Learnt{ID: p.id, By: record.FromRun},
				Person: &record.Learnt{ID: "ada", By: record.BySignedIn}, Fields: map[string]string{"tray": fmt.Sprint(i + 1)}}}
		h.put(w)
		p.weighings = append(p.weighings, w)
		step(run.Weighed(w, facts))
		if run.Next(facts).Waiting == procedure.ForAllowed {
			list, err := run.Act(procedure.Act{Allow: "it is known"}, ben, h.stamp().UTC, facts)
			h.must(err)
			step(list)
		}
	}
	step(run.Pass(h.stamp().UTC))
	for run.Next(facts).Waiting == procedure.ForAllowed {
		list, err := run.Act(procedure.Act{Allow: "it is known"}, ben, h.stamp().UTC, facts)
		h.must(err)
		step(list)
	}
	if next := run.Next(facts).Waiting; next != procedure.ForEnd {
		h.t.Fatalf("the run waits for %s", next)
	}
	f := run.Found()
	e := &record.RunEnded{Run: ref, Balance: &at, Request: p.begun.Request, State: state, Verdict: f.Verdict, Results: f.Results, Items: p.begun.Items,
		Begun: record.EntryRef{Seq: p.begun.Seq, ID: p.begun.ID}, Steps: f.Steps, Weighings: f.Weighings, Unused: f.Unused, Balances: f.Balances,
		People: []string{"ada", "ben"}, By: ada, Stamp: h.stamp()}
	if state == record.RunAbandoned {
		e.Results, e.Verdict, e.Reason = []record.RunResult{}, "", "the lot is spoilt"
	}
	h.put(e)
	return p
}

// shows signs as somebody, who has shown who they are.
func shows(by record.Actor) func(context.Context, Proposal) (Sign, error) {
	return func(context.Context, Proposal) (Sign, error) { return sign(by), nil }
}

func sign(by record.Actor) Sign {
	return func(_ context.Context, p Proposal) (*record.Signature, error) {
		return &record.Signature{Run: p.Run, Balance: p.Balance, Meaning: p.Meaning, Statement: "as it is", Name: by.Shown(), By: by,
			Covers: record.Covered{Entries: uint64(len(p.Covers)), Last: p.Covers[len(p.Covers)-1]}}, nil
	}
}

// last is the last entry of a run, as somebody sees it who looks now.
func (h *house) last(id string) uint64 {
	h.view.Lock()
	defer h.view.Unlock()
	return h.runs[id].last()
}

// does has somebody do something to a run, as it is now.
func (h *house) does(by record.Actor, id string, a Act) error {
	if a.Seen == 0 {
		a.Seen = h.last(id)
	}
	if needsReason(a.Act) && a.Reason == "" {
		a.Reason = "it is due"
	}
	a.Shows = shows(by)
	return h.Act(context.Background(), id, a, by, able[by.ID])
}

func (h *house) corrects(by record.Actor, id string, c Correction) error {
	if c.Seen == 0 {
		c.Seen = h.last(id)
	}
	if c.Reason == "" {
		c.Reason, c.Comment = "spilt", "some seeds lay beside the dish"
	}
	return h.Correct(context.Background(), id, c, by, able[by.ID])
}

// approved has a run submitted and approved.
func (h *house) approved(p *performed) {
	h.t.Helper()
	h.must(h.does(ada, p.id, Act{Act: record.ActSubmit}))
	h.must(h.does(cleo, p.id, Act{Act: record.ActApprove}))
	h.is(p.id, record.RunApproved)
}

func (h *house) is(id, state string) {
	h.t.Helper()
	if got := h.State(id); got != state {
		h.t.Fatalf("the run %s is %s, want %s", id, got, state)
	}
}

// becomes waits until a run has a state.
func (h *house) becomes(id, state string) {
	h.t.Helper()
	for limit := time.Now().Add(10 * time.Second); h.State(id) != state; time.Sleep(time.Millisecond) {
		if time.Now().After(limit) {
			h.is(id, state)
		}
	}
}

// judges has a weighing judged after a failed check.
func (h *house) judges(w *record.Weighing, effect string) {
	h.t.Helper()
	h.put(&record.AffectedJudged{Balance: w.Balance, Check: "b-1/c000004", Weighings: []record.EntryRef{{Seq: w.Seq, ID: w.ID}}, Effect: effect, Reason: "it drifted",
		By: cleo, Stamp: h.stamp()})
}

// entries are all that the journal has of a kind.
func entriesOf[T any](h *house, kind record.Kind) (list []*T) {
	h.t.Helper()
	all, err := h.journal.Read(context.Background(), 0, 1_000_000)
	h.must(err)
	for _, e := range all {
		if e.Kind == kind {
			h.must(add(e, func(one *T) { list = append(list, one) }))
		}
	}
	return list
}

// denied says whether an act was not done, and whether for want of a right.
func denied(err error) (not, lacks bool) {
	var no *record.NotDone
	var l *Lacks
	return errors.As(err, &no), errors.As(err, &l)
}
