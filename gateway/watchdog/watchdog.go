// Package watchdog notices that a part of the daemon has stopped turning, and keeps that from going unseen. It owns two things:
// the conversation with the service manager (sd_notify, [Manager]), and the [Watch] that gives the manager its sign of life
// only while every part is alive. What the parts are, and what their silence means, is for whoever adds them to say.
//
//	w := watchdog.New(watchdog.Config{Limit: 30 * time.Second, Every: 5 * time.Second, Ping: ping}, board, log)
//	defer w.Add(watchdog.Part{Alive: journal.Alive, Stuck: health.Condition{…}})()
//	w.Run(ctx)
//
// A part that has not turned for the limit is a condition, and from then on there is no sign of life: a service manager ends
// the daemon and starts it again. Only what stands still counts. A disk that is full, a broker that is away, a balance that
// is silent are told as what they are, by the parts themselves, which go on turning.
package watchdog

import (
	"context"
	"log/slog"
	"slices"
	"sync"
	"time"

	"weighpost/gateway/health"
)

// Config says how patient a Watch is.
type Config struct {
	Limit time.Duration // how long a part may stand still; 0: 30 s
	Every time.Duration // how often the parts are looked at; 0: a sixth of the limit
	Ping  func()        // the sign of life, given each time that every part is alive; nil: none
}

// DefaultLimit is how long a part may stand still where no service manager says otherwise.
const DefaultLimit = 30 * time.Second

// Part is a part of the daemon that must turn.
type Part struct {
	// Alive is when the part last showed that it turns. It must not block.
	Alive func() time.Time
	// Stuck is the condition that holds while it does not.
	Stuck health.Condition
	// Cause names the condition's code of another part which, while that is stuck, explains why this one is: then this one's
	// is not raised. "" for none.
	Cause string
}

// Watch looks after parts. Its methods may be called from any goroutine.
type Watch struct {
	cfg   Config
	board *health.Board
	log   *slog.Logger

	mu     sync.Mutex
	parts  []*watched
	ending bool
	looked time.Time // the last look
	woke   time.Time // when the whole process was last found to have stood still; zero: never
}

type watched struct {
	Part
	since  time.Time // added
	raised bool
}

// New makes a watch. Conditions go to board; log may be nil.
func New(cfg Config, board *health.Board, log *slog.Logger) *Watch {
	if cfg.Limit == 0 {
		cfg.Limit = DefaultLimit
	}
	if cfg.Every == 0 {
		cfg.Every = cfg.Limit / 6
	}
	if cfg.Ping == nil {
		cfg.Ping = func() {}
	}
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return &Watch{cfg: cfg, board: board, log: log}
}

// Add begins to look after a part. remove ends it: a part that has ended is not one that is stuck.
func (w *Watch) Add(p Part) (remove func()) {
	one := &watched{Part: p, since: time.Now()}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.parts = append(w.parts, one)
	return sync.OnceFunc(func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		w.parts = slices.DeleteFunc(w.parts, func(o *watched) bool { return o == one })
		if one.raised {
			w.board.Clear(one.Stuck.Code, one.Stuck.Subject)
		}
	})
}

// Ending says that the daemon is being stopped: parts end now, and how long that may take has limits of its own. The sign of
// life goes on until Run ends.
func (w *Watch) Ending() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.ending = true
}

// Run looks at the parts until ctx ends.
func (w *Watch) Run(ctx context.Context) {
	tick := time.NewTicker(w.cfg.Every)
	defer tick.Stop()
	for {
		if w.look(time.Now()) {
			w.cfg.Ping()
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// look judges every part, raises and clears conditions, and says whether all are alive.
func (w *Watch) look(now time.Time) (well bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	// When this look itself is late, the whole process stood still: it was frozen, or the machine was asleep. The parts have
	// not had their turn since, and each gets the limit from now on.
	if !w.looked.IsZero() && now.Sub(w.looked) > 2*w.cfg.Every {
		w.log.Warn("the whole program stood still", "for", now.Sub(w.looked).Round(time.Millisecond))
		w.woke = now
	}
	w.looked = now
	if w.ending {
		return true
	}
	stuck := map[string]bool{} // by code
	for _, p := range w.parts {
		if age := w.age(p, now); age > w.cfg.Limit {
			stuck[p.Stuck.Code] = true
		}
	}
	for _, p := range w.parts {
		age := w.age(p, now)
		w.tell(p, age > w.cfg.Limit && (p.Cause == "" || !stuck[p.Cause]), age)
	}
	return len(stuck) == 0
}

func (w *Watch) age(p *watched, now time.Time) time.Duration {
	since := p.Alive()
	for _, t := range []time.Time{p.since, w.woke} {
		if t.After(since) {
			since = t
		}
	}
	return now.Sub(since)
}

// tell raises or clears the condition of a part.
func (w *Watch) tell(p *watched, stuck bool, age time.Duration) {
	switch {
	case stuck && !p.raised:
		w.board.Raise(p.Stuck) // before the log, which may be what is stuck
		w.log.Error(p.Stuck.Sentence, "code", p.Stuck.Code, "subject", p.Stuck.Subject, "stands still for", age.Round(time.Millisecond))
	case !stuck && p.raised:
		w.log.Warn("it turns again", "code", p.Stuck.Code, "subject", p.Stuck.Subject)
		w.board.Clear(p.Stuck.Code, p.Stuck.Subject)
	}
	p.raised = stuck
}
