package visit

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"sync"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/gateway/setup"
)

// Limits of what one visit keeps.
const (
	mostSaid     = 100  // texts of a step
	mostOfText   = 4000 // characters of one
	mostOfAnswer = 500  // bytes of an answer
)

// visit is one walk.
type visit struct {
	host  *Host
	id    string
	by    record.Actor
	began time.Time
	// done is closed once the walk has ended.
	done   chan struct{}
	cancel context.CancelCauseFunc
	timer  *time.Timer // ends it when nobody says anything

	mu     sync.Mutex
	shown  console.Visit // how it stands, without its question
	end    time.Time     // when it ended
	ask    *asked        // what is asked; nil: nothing
	wait   *asked        // what is waited for meanwhile; nil: nothing
	number uint64        // of the latest question
	last   speaker
	events
}

// speaker is who has said something last, and why: at the end, who has agreed to the change.
type speaker struct {
	who    rights.Who
	by     record.Actor
	reason string
}

// asked is a question that waits for its answer.
type asked struct {
	question console.VisitQuestion
	answer   chan string       // takes one
	values   map[string]string // of the choices, by what is shown of them
	back     func()            // for what is only waited for
}

func newVisit(h *Host, id string, by record.Actor) (*visit, context.Context) {
	v := &visit{host: h, id: id, by: by, began: time.Now(), done: make(chan struct{}), events: newEvents()}
	var steps []string
	for _, s := range setup.Steps() {
		steps = append(steps, stepNames[s])
	}
	v.shown = console.Visit{ID: id, By: by, Began: record.UTC(v.began.UTC()), Steps: steps, Step: 1, State: console.VisitWorking}
	ctx, cancel := context.WithCancelCause(h.life)
	v.cancel, v.timer = cancel, time.AfterFunc(h.wait, func() { cancel(errUnheard) })
	v.heard()
	return v, ctx
}

// run walks until the end of ctx, or its own.
func (v *visit) run(ctx context.Context, path string) {
	defer v.cancel(nil)
	defer close(v.done)
	added, err := v.walk(ctx, path)
	v.timer.Stop()
	v.host.letGo(v)
	v.conclude(context.Cause(ctx), added, err)
}

// walk is the guided path. Whatever a balance sends, a mistake in reading it ends the visit and not the daemon.
func (v *visit) walk(ctx context.Context, path string) (added *setup.Added, err error) {
	defer func() {
		if r := recover(); r != nil {
			v.host.deps.Log.Error("adding a balance failed by a mistake of weighpost", "why", r, "stack", string(debug.Stack()))
			err = fmt.Errorf("weighpost made a mistake (%v): the log of this computer has more; nothing was written", r)
		}
	}()
	return setup.AddBalance(ctx, v, setup.Tools{Open: v.open, List: v.host.deps.List, NoFiles: true, Keep: keeper{v},
		Refuse: func(ctx context.Context, address string) error { return v.host.take(ctx, v, address) }}, setup.Given{Config: path})
}

// open opens a port for the walk, and shows what passes.
func (v *visit) open(ctx context.Context, c port.Config) (port.Port, error) {
	p, err := v.host.deps.Open(ctx, c)
	if err != nil {
		return nil, err
	}
	v.Line(c)
	return &tapped{p, v}, nil
}

// conclude says how it ended.
func (v *visit) conclude(cause error, added *setup.Added, err error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.end, v.ask, v.wait = time.Now(), nil, nil
	s := &v.shown
	switch {
	case added != nil && s.Result != nil && s.Result.Outcome == console.VisitWaits:
		s.State = console.VisitWaits
	case added != nil:
		s.State = console.VisitFinished
	case cause != nil:
		s.State, s.Why = console.VisitAbandoned, sentence(cause.Error())+" Nothing was written."
	case errors.Is(err, setup.ErrStopped):
		s.State, s.Why = console.VisitAbandoned, "Somebody ended it. Nothing was written."
	default:
		s.State, s.Why = console.VisitFailed, harmless(sentence(fmt.Sprint(err)))
	}
	v.changed()
}

func (v *visit) over() bool { return !v.endedAt().IsZero() }

// endedAt is when it ended; zero: it has not.
func (v *visit) endedAt() time.Time {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.end
}

// heard notes that a person has said something.
func (v *visit) heard() {
	v.timer.Reset(v.host.wait)
	v.shown.Ends = record.UTC(time.Now().Add(v.host.wait).UTC())
}

// view is how it stands.
func (v *visit) view() console.Visit {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.snapshot()
}

func (v *visit) snapshot() console.Visit {
	s := v.shown
	s.Event = v.n
	s.Said = append([]console.VisitSaid{}, s.Said...)
	if !v.end.IsZero() {
		return s
	}
	s.State = console.VisitWorking
	switch {
	case v.ask != nil:
		q := v.ask.question
		s.State, s.Question = console.VisitAsking, &q
	case v.wait != nil:
		q := v.wait.question
		s.Question = &q
	}
	return s
}

func (v *visit) speaker() speaker {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.last
}

// keeper has what a visit ends with go into the configuration, in the name of whoever agreed to it.
type keeper struct{ v *visit }

// Check asks in the name of whoever has answered last.
func (k keeper) Check(ctx context.Context, a setup.Addition) error {
	return k.v.host.deps.Check(rights.With(ctx, k.v.speaker().who), a)
}

func (k keeper) Write(ctx context.Context, a setup.Addition) (*setup.Added, error) {
	said := k.v.speaker()
	result, err := k.v.host.deps.Write(rights.With(ctx, said.who), a, said.by, said.reason)
	if err != nil {
		return nil, err
	}
	result.Balance = a.Balance.ID
	k.v.mu.Lock()
	k.v.shown.Result = &result
	k.v.mu.Unlock()
	return &setup.Added{Config: a.Config, Layout: result.Layout, Notes: result.Notes}, nil
}
