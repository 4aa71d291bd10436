// Package intake is the pipeline of one balance: bytes become frames, frames become readings, every reading goes to the
// screens, and what the balance's capture rule chooses goes to the journal, in order of arrival.
//
// The goroutine that reads the port never waits for the disk. It leaves entries in an outbox, which a second goroutine
// empties into the journal. While the journal does not record, up to 1,024 entries are kept and tried again; what comes
// after them is counted and becomes one entry that says how many readings are missing, from when to when. Nothing is
// shown as recorded before the journal has acknowledged it.
//
// # Context
//
// The pipeline alone owns who weighs and what: the items of its context. Scans, requests and frames all take the
// pipeline's lock, and each has a moment: it came after one time and before another, as far as this computer can know.
//
//   - A request came when it arrived (ContextRequest.At). A scan came after its port was last seen empty, and before its
//     last byte was read.
//   - A print begins after its port was last seen empty, and before its first byte was read; and no later than its bytes,
//     each of which takes its time on the wire, allow. Whoever deals with a request or a scan looks whether anything is on
//     its way from the balance (port.Line.Quiet), and the other way round: so a port that was silent for an hour was last
//     seen empty when it counts. What an adapter or a device server still holds back is not seen.
//
// A weighing takes what was set at a moment that lies wholly before its own, and nothing later, whichever of the two was
// dealt with first: an item that was set meanwhile leaves the one before it in place for one step; and a weighing waits,
// for 250 ms at most, for a scan or a request that has reached the computer and was not dealt with. Where the moments
// overlap nobody knows the order (a stall, or a scan while the line was being printed): the item is refused with an entry,
// what was held under its name ends, and the weighing goes without and says so with the verdict context-order. A request
// that comes for a weighing which has left for the journal is refused too. Between two things that set one item the order
// in which they are dealt with counts, unless one surely came later.
//
// An item ends when it is replaced or ended, at a sign-out, when its time has run out, when nothing was recorded for its
// idle time, when the port was lost (whoever plugs it in may be somebody else), and when the pipeline ends: nothing survives
// a restart. It survives a reload that leaves the port open. Its uses are counted by recorded weighings and results, also by
// those for which the journal had no room; not by live readings, frames that cannot be read, and tare prints, which carry
// it and leave it. What a weighing takes is in the entry of the weighing, which is the only evidence: it is appended as it
// is or offered again as it is, so nothing is spent twice and nothing given back. Where a load that has come to rest is
// recorded, it takes what is in force when it does; where the latest reading of a period is, what was in force when that was
// printed.
//
// A weighing for which no person is known has none, and never that of the one before.
//
// # Asking
//
// A balance is sent nothing unless its configuration says what: the question under ask, and commands. One question is open
// at a time, and whoever else may ask the same balance waits for its turn (port.Turns).
//
//   - A question goes out when the line has been silent for 50 ms (250 ms where a network lies between), with no frame
//     unfinished. Its answer is the first whole frame with a value that begins after that and ends within the time-out, by the
//     times at which bytes reached this computer. What cannot be read is no answer, and is kept as unread.
//   - After a missed answer the line must be silent for longer (late) before the next question, so that a late answer answers
//     nothing. One that comes later still, when the next question is open, cannot be told from its answer. A line that is printed while a
//     question is open cannot either: it is the balance's weight at that time all the same.
//   - A frame that has no end by then is cut off, and is unread; so is the frame behind it, if it could be the rest.
//   - An answer goes to the screens and to the capture rule: settled, every and all record it as they record any reading. Under
//     printed it is not recorded: nobody printed. A request may have its answer recorded under any rule (trigger asked).
//   - What nobody asked for is what it is without ask. Where it comes after a missed answer, its weighing says so with the
//     verdict late-answer: under printed it may be a print, and a print must not be lost.
//   - Where two answers must agree (confirm: 2), the second one is the reading. Two that differ are none, which is an entry
//     where it would have been recorded.
//   - A weighing that was asked for has its moment and its context as a print has: what was set before the balance began to
//     answer.
//
// A command is in the journal before its first byte goes out, and what became of it after. The rule settled compares no
// frames across it, and counts the load that it recorded last as gone as soon as the display moves.
//
// What cannot be read is never a weight: it is journalled as it came, within limits that keep a faulty line from filling
// the disk.
package intake

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
)

// drainLimit is how long the end of Run waits for the journal to take what was received.
const drainLimit = 5 * time.Second

// Line reads the port and calls h, from one goroutine, until ctx ends.
type Line interface {
	Run(ctx context.Context, h port.Handler) error
}

// gapped is a line that tells of pauses.
type gapped interface{ SetIdleGap(time.Duration) }

// Recorder makes entries durable: all of one call or none, in the order given. It blocks until then. After an error the
// same bodies are offered again.
type Recorder interface {
	Append(ctx context.Context, bodies ...record.Body) ([]record.Entry, error)
}

// Publisher takes a reading for the screens and never blocks.
type Publisher interface{ Publish(record.Live) }

// Stamper writes an instant of this process's clock as a stamp.
type Stamper interface{ Stamp(time.Time) record.Stamp }

// Deps is what an intake needs from the rest of the daemon.
type Deps struct {
	Line     Line
	Scanner  Line // nil where the balance has no scanner
	Layout   *layout.Layout
	Recorder Recorder
	Live     Publisher
	Clock    Stamper
	Health   *health.Board // its listeners must not call the intake
	Software record.Software
	Log      *slog.Logger
	Spare    *Spare           // shared by the balances of a daemon; nil: none
	Watched  func() bool      // whether somebody looks at the live stream; nil: nobody. It must not block
	Now      func() time.Time // nil: time.Now

	Samples Samples // shared by the balances of a daemon; nil: none are known
	People  People  // nil: no badge signs anybody in
	// ShiftEnd gives the first end of a shift after a time, at which a person's context ends; zero: there is none. nil: there are no
	// shifts. It must not block.
	ShiftEnd func(after time.Time) time.Time
	// BalanceCounts says whether a weight that changes counts as the presence of whoever is signed in; nil: it does not. It must not
	// block.
	BalanceCounts func() bool
	// Present is told when it does count, for whoever else keeps who is signed in; nil: nobody. It must not block.
	Present func()
	// Fitness says whether the balance may be used; nil: nobody knows.
	Fitness Fitness
	// Runs takes scans for the run that is at the balance; nil: there are none.
	Runs TakeScan
	// First is done before anything of the lines is read, each time that Run begins: the context can be set by then. nil: nothing is done. It is given up
	// with its context, and must not take long.
	First func(ctx context.Context)
}

// Intake is the pipeline of one balance. It implements port.Handler.
type Intake struct {
	cfg           Config
	line          Line   // changes only between two Runs, under mu and pulse.mu
	trigger       string // name of the capture rule
	recorder      Recorder
	live          Publisher
	clock         Stamper
	board         *health.Board
	software      record.Software
	log           *slog.Logger
	now           func() time.Time
	about         record.About
	out           *outbox
	troubled      atomic.Bool  // the condition readings-not-recorded holds
	arriving      atomic.Int64 // requests for the context that have not been dealt with
	scan          *scanner     // nil where the balance has none
	watched       func() bool  // nil: nobody looks
	samples       Samples      // nil: none are known
	people        People       // nil: no badge signs anybody in
	shiftEnd      func(after time.Time) time.Time
	balanceCounts func() bool
	present       func()
	fitness       Fitness  // nil: nobody knows
	runs          TakeScan // nil: there are none
	first         func(context.Context)
	beside        sync.WaitGroup // what is looked up beside the lines

	pulse pulse

	mu        sync.Mutex // guards everything below
	layout    *layout.Layout
	hash      string
	switching switching
	splitter  *frame.Splitter
	quiet     time.Duration
	reading   layout.Reading
	received  int64         // bytes since the splitter began to count
	arrived   time.Time     // of the last byte
	waited    time.Duration // how long the last byte may have waited here; below 0: not known
	latency   time.Duration // that the port may add
	emit      func(frame.Frame)
	damage    damage
	complaint complaint
	late      lateDamage
	plausible plausible
	opening   opening
	capture   *capture
	asking    asking
	unreads   unreads
	flaps     flaps
	answers   answers
	stamps    stamps
	identity  identity
	misread   int // frames unread in a row
	arrivals  arrivals
	context   contexts
	open      []*ticket // recorded, and waiting for what may have come before them
	look      time.Time // when they are looked at again
	sealed    moment    // of the latest weighing that nothing can change any more
	changes   allowance
	refusals  refusals
	policy    samplePolicy
	unsure    unsure
	presence  presence
	badging   badging
	atBench   string                   // the session at this balance of whoever weighs, "" for none
	signedOut bool                     // the latest change was a sign-out
	life      context.Context          // of the Run that is under way: badges are looked up within it
	tellHeld  bool                     // what is held has to be told to the other balances
	told      heldTold                 // what they were told last
	over      bool                     // nothing is taken any more
	gone      chan struct{}            // closed at the end of Run
	durable   map[record.Body]*awaited // entries that somebody waits for
	due       time.Time
	status    Status
}

// New prepares the pipeline of one balance, and has a line such as *port.Line watch for the layout's idle gap. It opens nothing.
func New(cfg Config, deps Deps) (*Intake, error) {
	switch {
	case deps.Layout == nil:
		return nil, fmt.Errorf("balance %s: no layout is loaded", cfg.ID)
	case deps.Line == nil || deps.Recorder == nil || deps.Live == nil || deps.Clock == nil || deps.Health == nil || deps.Log == nil:
		return nil, fmt.Errorf("balance %s: the intake lacks a part", cfg.ID)
	}
	in := &Intake{
		cfg: cfg, layout: deps.Layout, hash: deps.Layout.Hash(), trigger: cfg.Record.String(),
		recorder: deps.Recorder,
		live:     deps.Live, clock: deps.Clock, board: deps.Health, software: deps.Software, log: deps.Log, now: deps.Now,
		about: record.About{ID: cfg.ID}, out: newOutbox(deps.Spare),
		capture: newCapture(cfg.Record, cfg.Readability), context: contexts{}, durable: map[record.Body]*awaited{},
	}
	in.plausible, in.policy = newPlausible(&cfg), policyOf(cmp.Or(cfg.Samples, cfg.CommonSamples))
	in.samples, in.people, in.shiftEnd, in.balanceCounts = deps.Samples, deps.People, deps.ShiftEnd, deps.BalanceCounts
	in.present, in.fitness, in.runs, in.first = deps.Present, deps.Fitness, deps.Runs, deps.First
	if in.now == nil {
		in.now = time.Now
	}
	in.watched, in.asking = deps.Watched, newAsking()
	in.pulse.born = in.now()
	in.emit = in.frame
	if err := in.useLines(deps.Line, deps.Scanner); err != nil {
		return nil, err
	}
	return in, nil
}

// Run reads the balance until ctx ends, and then waits until the journal has everything that was received, for five
// seconds at most. Its error says what was not recorded. It may be called again once it has returned: what is then in
// memory, such as what waits for the journal, is as it was.
func (in *Intake) Run(ctx context.Context) error {
	looking, giveUp := context.WithCancel(ctx)
	in.begin(looking)
	defer in.end()
	defer giveUp()
	in.pulse.begin()
	defer func() { in.pulse.end(in.now()) }()
	recording, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	ended, drained := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(drained)
		in.recordAll(recording, ended)
	}()
	if in.first != nil {
		in.first(looking)
	}
	err := in.readAll(ctx)
	in.lookNoMore(giveUp)
	in.finish()
	close(ended)
	limit := time.NewTimer(drainLimit)
	defer limit.Stop()
	select {
	case <-drained:
	case <-limit.C:
		stop()
		<-drained
	}
	waiting, unkept := in.out.end()
	if missing := uint64(waiting) + unkept; missing > 0 {
		lost := fmt.Errorf("balance %s: %d entries were received and could not be recorded before the stop", in.about.ID, missing)
		err = errors.Join(err, lost)
	}
	return err
}

// begin lets the context be set, and end has nobody wait any more for an entry that was not made durable.
func (in *Intake) begin(life context.Context) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.life = life
	in.over, in.gone, in.asking.ended = false, make(chan struct{}), false
}

// Begun says whether Run has begun: before that nothing can be set or asked for, and what comes is refused.
func (in *Intake) Begun() bool {
	in.mu.Lock()
	defer in.mu.Unlock()
	return in.gone != nil
}

// lookNoMore ends what is looked up beside the lines, and waits for it.
func (in *Intake) lookNoMore(giveUp func()) {
	in.mu.Lock()
	giveUp() // from here on nothing more is looked up
	in.mu.Unlock()
	in.beside.Wait()
}

func (in *Intake) end() {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.over = true
	close(in.gone)
}

// readAll reads the balance and its scanner until ctx ends.
func (in *Intake) readAll(ctx context.Context) error {
	var scanning sync.WaitGroup
	var fault error
	if in.scan != nil {
		scanning.Go(func() { fault = in.scan.line.Run(ctx, in.scan) })
	}
	asking, stop := context.WithCancel(ctx)
	defer stop()
	scanning.Go(func() { in.askAll(asking) })
	err := in.line.Run(ctx, in)
	stop()
	scanning.Wait()
	if errors.Is(err, ctx.Err()) {
		err = nil
	}
	if fault != nil && !errors.Is(fault, ctx.Err()) {
		err = errors.Join(err, fmt.Errorf("balance %s: the scanner: %w", in.about.ID, fault))
	}
	return err
}
