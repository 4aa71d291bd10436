package runs

import (
	"context"
	"fmt"
	"math/big"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/journal/memory"
	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// twoWeighings is a procedure with a step of each kind that this room has to do with: a scan, two weighings, a wait and a result.
const twoWeighings = `procedure: net
title: Net mass
about: samples
most: 1
steps:
- {step: which, do: identify, what: sample}
- {step: early, do: weigh, limits: {from: none is set}}
- {step: rest, do: wait, for: 1m}
- {step: later, do: weigh, limits: {from: none is set}}
- {step: net, do: compute, formula: later - early, unit: g, round: 0.001 g, limits: {at_most: 5 g, from: the lab's own}}
results: [net]
`

// bench is a lab with the balances b-1 and b-2.
type bench struct{ unfit map[string]string }

func (b bench) Ready() bool { return true }

func (b bench) Facts(id string) (procedure.Facts, bool) {
	if id != "b-1" && id != "b-2" {
		return procedure.Facts{}, false
	}
	return procedure.Facts{Balance: record.Balance{ID: id}, Readability: big.NewRat(1, 1000), Capacity: big.NewRat(200, 1), Unfit: b.unfit[id]}, true
}

// house is a room under test over a journal in memory.
type house struct {
	*Room
	t       *testing.T
	dir     string
	journal *memory.Journal
	clock   atomic.Int64 // nanoseconds
	cfg     Config
	end     func()
	n       int
}

func newHouse(t *testing.T) *house {
	t.Helper()
	h := &house{t: t, dir: t.TempDir(), journal: memory.New("seed-bank"), cfg: Default()}
	h.later(time.Duration(time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC).UnixNano()))
	h.open()
	t.Cleanup(func() { h.end() })
	return h
}

func (h *house) later(d time.Duration) { h.clock.Add(int64(d)) }

func (h *house) stamp() record.Stamp {
	return record.Stamp{UTC: record.UTC(time.Unix(0, h.clock.Load()).UTC()), Zone: "+00:00", Clock: "checked"}
}

// open begins to look after the journal; reopen does so anew, as after a kill or a stop in good order.
func (h *house) open() {
	h.t.Helper()
	h.Room = New(Options{Dir: h.dir, Journal: h.journal, Incarnation: "aaaaa", Stamp: h.stamp, Config: func() Config { return h.cfg }, Lab: bench{}})
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan struct{})
	go func() { defer close(over); h.Run(ctx) }()
	h.end = func() { cancel(); <-over }
	h.Await(h.t.Context(), 10*time.Second)
}

func (h *house) reopen() {
	h.t.Helper()
	h.end()
	h.open()
}

func (h *house) must(err error) {
	h.t.Helper()
	if err != nil {
		h.t.Fatal(err)
	}
}

// adopted has a procedure written by Ben and adopted by Ada.
func (h *house) adopted(text string) {
	h.t.Helper()
	v, err := h.Write(h.t.Context(), text, "it is needed", ben)
	h.must(err)
	_, err = h.Decide(h.t.Context(), v.Name, v.ProcedureRef.Version, record.ProcedureAdopted, "it was read", ada)
	h.must(err)
}

// weighing makes an entry of a weighing that carries a run.
func (h *house) weighing(balance, run, digits string) *record.Weighing {
	h.n++
	h.later(2 * time.Second)
	w := &record.Weighing{Balance: record.Balance{ID: balance, Identity: "confirmed"}, Value: record.Value{Digits: digits, Unit: "g", PrintedUnit: "g", Kind: "net",
		Stability: "stable", Range: "in"}, Frame: []byte(digits), Trigger: "printed", Stamp: h.stamp(), Verdicts: []record.Verdict{}, Fitness: record.Fitness{State: record.InService}}
	w.Context.Fields = map[string]string{}
	if run != "" {
		w.Context.Run = &record.Learnt{ID: run, By: record.BySent}
		w.Context.Person = &record.Learnt{ID: "ada", By: record.BySignedIn}
	}
	return w
}

func (h *house) weighs(balance, run, digits string) {
	h.t.Helper()
	_, err := h.journal.Append(h.t.Context(), h.weighing(balance, run, digits))
	h.must(err)
}

func (h *house) act(run string, a procedure.Act, by record.Actor) {
	h.t.Helper()
	h.must(h.Act(h.t.Context(), run, a, by, Able{}))
}

// waits waits until a run waits for something at a step.
func (h *house) waits(run, for_, step string) Standing {
	h.t.Helper()
	var s Standing
	h.until(func() bool {
		s, _ = h.Open(run)
		return s.Next.Waiting == for_ && s.Next.Step == step && s.Due == 0
	}, func() string {
		return fmt.Sprintf("the run waits for %s at %s, want %s at %s", s.Next.Waiting, s.Next.Step, for_, step)
	})
	return s
}

func (h *house) until(f func() bool, otherwise func() string) {
	h.t.Helper()
	for limit := time.Now().Add(20 * time.Second); !f(); time.Sleep(time.Millisecond) {
		if time.Now().After(limit) {
			h.t.Fatal(otherwise())
		}
	}
}

// entries are all that the journal has of a kind.
func entries[T any](h *house, kind record.Kind) (list []*T) {
	h.t.Helper()
	all, err := h.journal.Read(h.t.Context(), 0, 100000)
	h.must(err)
	for _, e := range all {
		if e.Kind == kind {
			one := new(T)
			h.must(jsonOf(e, one))
			list = append(list, one)
		}
	}
	return list
}
