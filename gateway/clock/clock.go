package clock

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
)

// tick is how often the computer's clocks are looked at for sleeps and steps.
const tick = time.Second

// Recorder makes entries durable, in order. It blocks until then.
type Recorder interface {
	Append(ctx context.Context, bodies ...record.Body) ([]record.Entry, error)
}

// Deps is what a clock needs from the rest of the daemon.
type Deps struct {
	Recorder Recorder
	Health   *health.Board
	Log      *slog.Logger   // nil: nothing is logged
	Zone     *time.Location // of the place; nil: the system's
	// Head gives the sequence of the last entry that is recorded, at once. With it, an entry says by how much stamps were wrong
	// once that is known; nil: none does.
	Head func() uint64
}

// Clock gives stamps, and knows how far they may be wrong. Its methods may be called from any goroutine, and none of them
// waits for a server, the disk or a screen, but for Run.
type Clock struct {
	ticker ticker
	ask    asker
	log    *slog.Logger
	book   *book
	board  *health.Board
	shown  shown // owned by Run
	zone   zone
	head   func() uint64
	change chan Config // a new configuration for Run

	anchor atomic.Pointer[anchor]  // nil: never checked
	recent atomic.Pointer[Reading] // the latest
	past   atomic.Pointer[Reading] // one that is at least a tick older

	mu        sync.Mutex // guards everything below; nobody who holds it waits for anything
	cfg       Config
	servers   []*server
	schedule  schedule
	ticked    *Reading
	base      Reading // against which the next step or sleep is measured
	state     string
	since     record.UTC // since when the state holds, by the stamps of then
	why       string     // a sentence on the state
	agreed    *Reading   // at the last agreement; nil: none yet
	failed    int        // rounds without agreement, in a row
	step      *Step      // the last one
	drift     drift
	corrected time.Time // when the servers last contradicted the stamps, on the Go runtime's clock
	said      string    // and what was said then
	ration    ration
	stretches []stretch // while the time was never checked
	looked    uint64    // the last entry recorded at the last look
	sure      sure
}

// New prepares a clock. It asks nobody before Run, and stamps are unchecked until the servers agree.
func New(cfg Config, deps Deps) (*Clock, error) {
	return newClock(cfg, deps, computer(), nil)
}

// newClock is New with the computer's clocks and the network exchanged.
func newClock(cfg Config, deps Deps, t ticker, ask asker) (*Clock, error) {
	if deps.Recorder == nil || deps.Health == nil {
		return nil, fmt.Errorf("the clock lacks a part")
	}
	c := &Clock{
		ticker: t, ask: ask, log: deps.Log, board: deps.Health, book: newBook(deps.Recorder, deps.Head), head: deps.Head,
		zone: zone{place: deps.Zone}, change: make(chan Config, 1), state: record.ClockUnchecked,
	}
	if c.ask == nil {
		c.ask = network(t.raw)
	}
	if c.log == nil {
		c.log = slog.New(slog.DiscardHandler)
	}
	if c.zone.place == nil {
		c.zone.place = time.Local
	}
	c.cfg = cfg.withDefaults()
	c.servers = newServers(c.cfg, nil)
	r := t.read()
	c.base, c.ticked, c.since = r, &r, record.UTC(r.Wall.UTC().Truncate(time.Microsecond))
	c.anew(&r, false)
	c.why = uncheckedYet
	if len(c.servers) == 0 {
		c.why = noServers
	}
	c.schedule.hurry(r.Now)
	return c, nil
}

// Change has another configuration apply from the next round on. Servers that stay keep what they said, and the stamps go on.
func (c *Clock) Change(cfg Config) {
	for {
		select {
		case c.change <- cfg:
			return
		case <-c.change: // one that has not been taken up yet is out of date
		}
	}
}

// Run asks the servers and watches the computer's clocks until ctx ends, and then waits until its entries are recorded, for
// a few seconds at most. Its error says what was not recorded.
func (c *Clock) Run(ctx context.Context) error {
	recording, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	ended, written := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(written)
		c.book.write(recording, ended)
	}()
	c.own(ctx)
	close(ended)
	limit := time.NewTimer(drainLimit)
	defer limit.Stop()
	select {
	case <-written:
	case <-limit.C:
		stop()
		<-written
	}
	return c.book.left()
}

// own is the goroutine that owns the clock.
func (c *Clock) own(ctx context.Context) {
	look := time.NewTicker(tick)
	defer look.Stop()
	var round chan []answer // nil: nobody is being asked
	for {
		if round == nil {
			if servers, cfg := c.begin(c.ticker.read()); len(servers) > 0 {
				round = make(chan []answer, 1)
				go func(to chan<- []answer) { to <- c.askAll(ctx, servers, cfg) }(round)
			}
		}
		select {
		case <-ctx.Done():
			if round != nil {
				<-round
			}
			return
		case <-look.C:
			c.look(c.ticker.read())
		case answers := <-round:
			round = nil
			if ctx.Err() == nil {
				c.judge(c.ticker.read(), answers)
			}
		case cfg := <-c.change:
			c.apply(c.ticker.read(), cfg)
		}
	}
}

// begin says whom to ask now, if a round is due.
func (c *Clock) begin(r Reading) ([]string, Config) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.servers) == 0 || r.Now.Before(c.schedule.next) {
		return nil, c.cfg
	}
	list := c.due(r.Now)
	if len(list) == 0 {
		c.schedule.next = r.Now.Add(c.cfg.PollMin.D())
	}
	return list, c.cfg
}

// apply takes a new configuration up.
func (c *Clock) apply(r Reading, cfg Config) {
	c.mu.Lock()
	c.cfg = cfg.withDefaults()
	c.servers = newServers(c.cfg, c.servers)
	c.failed = 0
	if a := c.anchor.Load(); a != nil {
		b := *a
		b.ppm, b.ceiling = c.ppm(c.cfg), c.cfg.Ceiling.D()
		c.anchor.Store(&b)
	} else if c.why = uncheckedYet; len(c.servers) == 0 {
		c.why = noServers
	}
	c.schedule.hurry(r.Now)
	c.review(&r)
	want := c.conditions(&r)
	c.mu.Unlock()
	c.shown.show(c.board, want)
}

// ppm is the drift that is reckoned with, as declared plus what a clock that is not raw may do.
func (c *Clock) ppm(cfg Config) int64 { return int64(cfg.DriftPPM) + c.ticker.extraPPM }
