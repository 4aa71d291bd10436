// Package gateway puts the rooms together into one running daemon. It owns the order in which they start and end, and
// nothing that they do: New prepares, Start starts, Reload makes another configuration the one that holds, Stop ends what
// was begun. The same calls run the daemon from the command line, inside the demo and inside a test.
package gateway

import (
	"context"
	"crypto/rand"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"weighpost/gateway/access"
	"weighpost/gateway/air"
	"weighpost/gateway/clock"
	"weighpost/gateway/config"
	"weighpost/gateway/fitness"
	"weighpost/gateway/health"
	"weighpost/gateway/index"
	"weighpost/gateway/intake"
	"weighpost/gateway/issued"
	"weighpost/gateway/journal"
	"weighpost/gateway/live"
	"weighpost/gateway/once"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/gateway/refusals"
	"weighpost/gateway/review"
	"weighpost/gateway/roster"
	"weighpost/gateway/runs"
	"weighpost/gateway/samples"
	"weighpost/gateway/visit"
	"weighpost/gateway/watchdog"
	"weighpost/sinks"
)

// Options is what a Gateway takes from its caller.
type Options struct {
	Log      *slog.Logger    // nil: nothing is logged
	Watchdog watchdog.Config // how patient the supervision of the parts is, and to whom it gives its sign of life
	// Sessions is the time by which sessions of people end; nil: time.Now.
	Sessions func() time.Time
	// Hasher makes and compares hashes of secrets; nil: that of the process, with the work that is asked for now.
	Hasher access.Hasher
}

// Gateway is one daemon.
type Gateway struct {
	options Options
	log     *slog.Logger
	clock   *clock.Clock // made by Start
	board   *health.Board
	live    live.Hub
	spare   *intake.Spare // of all balances
	life    lifecycle
	watch   *watchdog.Watch
	journal *journal.Journal
	space   spaceSeen
	index   *index.DB     // made by Start
	people  *access.Book  // opened by Start; nil: nobody can sign in
	answers *once.Memory  // to requests with a key; nil: they are refused
	samples *samples.Room // made by Start
	air     *air.Book     // what instruments show of the air where balances stand
	reports *issued.Room  // likewise
	fitness *fitness.Room // made by Start
	runs    *runs.Room    // made by Start
	review  *review.Room  // made by Start
	ties    *ties         // of balances to the runs that are there
	handed  *handed       // scans for runs
	checks  checking      // those that run
	looked  atomic.Pointer[lookedAfter]
	telling sync.Mutex // held while it is said what a balance's fitness is

	pictures heldPictures // of slips that are being typed in

	reviewing sync.Mutex // held while a review is noted
	releasing sync.Mutex // held while held entries are released

	verified verifiedSeen
	refusals *refusals.Book              // acts that were not allowed
	stamps   atomic.Pointer[clock.Clock] // the clock, for whoever asks before or while it is made
	backups  backups
	leaving  leaving     // who does not weigh at a balance any more
	visits   *visit.Host // balances that are being added; made by Start

	stalls                                             port.Stalls
	supervising, serving, delivering, reading, showing group

	// now is what runs. Only Start and Reload replace it; what it points to is never changed.
	now        atomic.Pointer[running]
	reloaded   atomic.Pointer[Reloaded]
	roster     roster.Roster // belongs to Start and to the reload that runs
	sifted     siftedStart   // belongs to Start
	waits      atomic.Pointer[waiting]
	taken      atomic.Pointer[record.Central] // the signed file of settings that was taken last
	pull       chan struct{}                  // asks for a pull of one now
	secretKey  [32]byte                       // of this process: what fingerprints of secrets and tickets to sign are made with
	sealOrders chan sealOrder
	turn       chan struct{} // holds a token while started and nobody reloads
	started    atomic.Bool
	stopOnce   sync.Once
	stopping   chan struct{}

	// shown are the sinks of it that show conditions, apart so that a condition that is raised from anywhere finds them.
	shown   atomic.Pointer[[]sinks.Statuser]
	showers atomic.Pointer[[]sinks.StateShower] // likewise those that show how each balance and destination is
}

// running is a configuration and what runs by it.
type running struct {
	cfg      *config.Config
	software record.Software
	page     *page
	sinks    []*sink    // in the order of the configuration, as are the
	balances []*balance // balances
}

// New prepares a daemon. It opens nothing.
func New(cfg *config.Config, o Options) *Gateway {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	g := &Gateway{
		options: o, log: o.Log, board: health.New(time.Now), spare: intake.NewSpare(),
		turn: make(chan struct{}, 1), stopping: make(chan struct{}), backups: newBackups(), leaving: newLeaving(), ties: newTies(), handed: newHanded(), air: air.New(), sealOrders: make(chan sealOrder), pull: make(chan struct{}, 1),
	}
	rand.Read(g.secretKey[:])
	g.reloaded.Store(&Reloaded{})
	g.watch = watchdog.New(o.Watchdog, g.board, o.Log)
	g.now.Store(&running{cfg: cfg, software: softwareOf(cfg)})
	g.board.OnChange(g.tellStatus)
	return g
}

// softwareOf is what records say of the program under a configuration.
func softwareOf(cfg *config.Config) record.Software {
	return record.Software{Version: Version(), Config: cfg.Hash()}
}

// Start begins to look after the parts, then opens the journal, takes from it what was adopted,
// opens the clock, the book of people, the page, the sinks, the keepers of the
// journal, the ports, and what tells sinks how all of that is, in this order. After an error nothing is left running. ctx bounds the start only; what was started lives until
// Stop.
func (g *Gateway) Start(ctx context.Context) error {
	for _, start := range []func(context.Context) error{g.superviseParts, g.openJournal, g.holdAdopted, g.openClock, g.openPeople, g.openVisits, g.openPage, g.watchNetwork, g.openSinks, g.keepJournal, g.openBalances, g.openStates} {
		if err := start(ctx); err != nil {
			limit, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
			defer cancel()
			if undo := g.life.stop(limit); undo != nil {
				g.log.Error("after a failed start", "err", undo)
			}
			return err
		}
	}
	g.started.Store(true)
	g.giveTurn()
	return nil
}

// Parts of the time for Stop: what the sinks may take, and what is kept for the parts that come after the balances, and for the
// journal.
const (
	forSinks   = 2500 * time.Millisecond
	forRest    = time.Second
	forJournal = 300 * time.Millisecond
)

// Stop ends everything in reverse order: the ports first, then, once all that was received is journalled, the sinks, the
// page and the journal. ctx is the limit for all of it. Entries that no sink has had yet go out after the next start.
func (g *Gateway) Stop(ctx context.Context) error {
	g.noMoreReloads(ctx)
	g.watch.Ending()
	return g.life.stop(ctx)
}
