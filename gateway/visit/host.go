// Package visit runs visits: a person at a page goes the guided path of package setup, from a port to a balance in the
// configuration, with the balance before them. Each visit is one walk in one goroutine that the Host owns; questions become data,
// answers come when they come, and whoever looks on follows what is told, what was learnt and each byte that came.
//
// A visit ends when the balance is in the configuration, when somebody abandons it, when nobody has said anything for a quarter
// of an hour, or with the daemon. It owns one port at the most, which no balance that is read and no other visit has, and it
// records nothing: what it ends with goes through the same change of settings as any other.
package visit

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/gateway/setup"
)

const (
	// Most is how many visits are under way at a time.
	Most = 4
	// patience is how long a visit goes on without a word from a person.
	patience = 15 * time.Minute
	// remembered is how long a visit that has ended can be looked at, and mostEnded how many of them.
	remembered = time.Hour
	mostEnded  = 16
)

// Deps is what visits need from the rest of the daemon.
type Deps struct {
	Open setup.Opener                                // nil: real ports
	List func(context.Context) ([]port.Found, error) // nil: those of this computer
	// Config is the path of the configuration that holds; "": there is no file.
	Config func() string
	// Taken are the ports that the configuration gives to somebody.
	Taken func() []Taken
	// Check says what stands in the way of an addition, and leaves nothing behind. Who asks is rights.From(ctx). A *setup.Declined
	// is told to the person, who may try again.
	Check func(ctx context.Context, a setup.Addition) error
	// Write adds it to the configuration that holds. Errors are as those of Check; after each of them nothing was written.
	Write func(ctx context.Context, a setup.Addition, by record.Actor, reason string) (console.VisitResult, error)
	Log   *slog.Logger
}

// Taken is a port of the configuration.
type Taken struct {
	Address string
	Balance string // whose it is
	Scanner bool   // it is that of its scanner
}

// Why a visit ends.
var (
	errAbandoned = errors.New("somebody ended it")
	errUnheard   = fmt.Errorf("nobody said anything for %d minutes", int(patience/time.Minute))
	errStopping  = errors.New("weighpost was stopped")
)

// Host owns the visits.
type Host struct {
	deps   Deps
	life   context.Context
	cancel context.CancelCauseFunc
	wait   time.Duration // patience, other in tests
	all    sync.WaitGroup

	mu     sync.Mutex
	ended  bool
	visits map[string]*visit
	ports  map[string]*visit // by what identity says of the port
}

// New makes a host. It begins nothing. What it runs lives until Stop.
func New(ctx context.Context, deps Deps) *Host {
	if deps.Open == nil {
		deps.Open = setup.Open
	}
	if deps.List == nil {
		deps.List = port.List
	}
	if deps.Log == nil {
		deps.Log = slog.New(slog.DiscardHandler)
	}
	h := &Host{deps: deps, wait: patience, visits: map[string]*visit{}, ports: map[string]*visit{}}
	h.life, h.cancel = context.WithCancelCause(context.WithoutCancel(ctx))
	return h
}

// Stop ends all visits and waits for them as long as ctx allows.
func (h *Host) Stop(ctx context.Context) error {
	h.mu.Lock()
	h.ended = true
	h.mu.Unlock()
	h.cancel(errStopping)
	done := make(chan struct{})
	go func() { h.all.Wait(); close(done) }()
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("a balance that is being added did not let go in time: %w", ctx.Err())
	}
}

// BeginVisit begins a visit for whoever asks.
func (h *Host) BeginVisit(ctx context.Context, by record.Actor) (console.Visit, error) {
	refused := func(format string, args ...any) (console.Visit, error) {
		return console.Visit{}, &console.VisitRefused{Why: fmt.Sprintf(format, args...)}
	}
	path := h.deps.Config()
	if path == "" {
		return refused("this weighpost does not run by a file, so that a balance cannot be written there")
	}
	if list := rights.From(ctx).Balances; list != nil {
		return refused("you may change only some balances (%s): one that is new is added by somebody who may change all", strings.Join(list, ", "))
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.ended {
		return refused("weighpost is stopping: begin again once it runs")
	}
	h.tidy()
	under := 0
	for _, v := range h.visits {
		if !v.over() {
			under++
		}
	}
	if under >= Most {
		return refused("%d balances are being added already, and no more can be at a time: go on with one of these, or abandon it", under)
	}
	v, life := newVisit(h, strings.ToLower(rand.Text()), by)
	h.visits[v.id] = v
	h.all.Go(func() { v.run(life, path) })
	return v.view(), nil
}

// tidy forgets visits that ended long ago, and the oldest of too many.
func (h *Host) tidy() {
	var list []*visit
	for id, v := range h.visits {
		if end := v.endedAt(); !end.IsZero() && time.Since(end) > remembered {
			delete(h.visits, id)
		} else if !end.IsZero() {
			list = append(list, v)
		}
	}
	slices.SortFunc(list, func(a, b *visit) int { return a.endedAt().Compare(b.endedAt()) })
	for i := 0; i < len(list)-mostEnded; i++ {
		delete(h.visits, list[i].id)
	}
}

// Visits lists what is under way, and what ended of late; the latest first.
func (h *Host) Visits() []console.Visit {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.tidy()
	list := []console.Visit{}
	for _, v := range h.visits {
		list = append(list, v.view())
	}
	slices.SortFunc(list, func(a, b console.Visit) int { return time.Time(b.Began).Compare(time.Time(a.Began)) })
	return list
}

// Visit gives one as it stands.
func (h *Host) Visit(id string) (console.Visit, error) {
	v, err := h.find(id)
	if err != nil {
		return console.Visit{}, err
	}
	return v.view(), nil
}

func (h *Host) find(id string) (*visit, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	v := h.visits[id]
	if v == nil {
		return nil, console.ErrNoVisit
	}
	return v, nil
}

// AnswerVisit answers what a visit asks.
func (h *Host) AnswerVisit(ctx context.Context, id string, a console.VisitAnswer) (console.Visit, error) {
	v, err := h.find(id)
	if err != nil {
		return console.Visit{}, err
	}
	if err := v.answer(rights.From(ctx), a); err != nil {
		return console.Visit{}, err
	}
	return v.view(), nil
}

// AbandonVisit ends a visit. Nothing is written.
func (h *Host) AbandonVisit(ctx context.Context, id string) (console.Visit, error) {
	v, err := h.find(id)
	if err != nil {
		return console.Visit{}, err
	}
	if v.over() {
		return console.Visit{}, &console.VisitRefused{Why: "it has ended already"}
	}
	v.cancel(errAbandoned)
	select {
	case <-v.done:
	case <-ctx.Done():
	}
	return v.view(), nil
}

// FollowVisit gives what happened in a visit after an event.
func (h *Host) FollowVisit(ctx context.Context, id string, after uint64) ([]console.VisitEvent, error) {
	v, err := h.find(id)
	if err != nil {
		return nil, err
	}
	return v.follow(ctx, after)
}
