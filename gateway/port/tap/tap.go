package tap

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/port"
)

// Who is what a tap calls itself when it takes a turn.
const Who = "tap"

// Line is what a tap needs of its balance's [port.Line].
type Line interface {
	// Write sends to the balance; it takes no longer than the port's write limit.
	Write(p []byte) (int, error)
	Turns() *port.Turns
	Beside(port.Listener)
}

// Tap is the tap of one balance. Its methods may be called from any goroutine.
type Tap struct {
	cfg     Config
	balance string
	board   *health.Board
	log     *slog.Logger

	mu      sync.Mutex
	line    Line // nil: none yet
	up      bool // the balance's port is open
	epoch   uint64
	out     func() bool // whether the balance is out of service; nil: it never is
	program *buffer     // of the program that is there, nil for none
	course  course
	asking  asking
	status  Status

	telling sync.Mutex // comes before mu
	behind  bool       // the condition holds; guarded by telling
}

// New makes the tap of the balance called balance. It opens nothing. board and log may be nil.
func New(cfg Config, balance string, board *health.Board, log *slog.Logger) *Tap {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	if board == nil {
		board = health.New(time.Now)
	}
	t := &Tap{cfg: cfg, balance: balance, board: board, log: log.With("tap", cfg.Where(), "balance", balance)}
	t.status.Where = cfg.Where()
	return t
}

// Attach has the tap belong to this line from now on, in place of the one before; nil for none.
func (t *Tap) Attach(line Line) {
	t.mu.Lock()
	before := t.line
	t.line = line
	t.mu.Unlock()
	if before != nil {
		before.Beside(nil)
	}
	if line != nil {
		line.Beside(&ear{tap: t, line: line})
	}
}

// OutOfServiceBy has the tap ask, for each line and for each question of the program's, whether the balance is out of service. It then does
// what its configuration says. ask must not block, and must not call the tap.
func (t *Tap) OutOfServiceBy(ask func() bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.out = ask
}

// isOut says whether the balance is out of service. mu is held.
func (t *Tap) isOut() bool { return t.out != nil && t.out() }

// Status is what a tap shows of itself. Counts are since it was made.
type Status struct {
	Where   string
	Open    bool // the program can come
	Program bool // a program is there

	Received uint64 // bytes that the program was given
	Sent     uint64 // bytes of the program's that the balance was sent
	Left     uint64 // lines left out because the program did not read
	Withheld uint64 // lines that answered somebody else's question, or were held back out of service
	Unsent   uint64 // bytes of the program's that were left out
	Why      string // why the latest of them were, "" for none
	Turned   uint64 // programs turned away: another one was there, or it was a browser
}

// Status gives the present state.
func (t *Tap) Status() Status {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.status
}

// Run keeps the tap open until ctx ends. Its conditions are cleared then, and nothing of it is left behind.
func (t *Tap) Run(ctx context.Context) {
	defer t.board.Clear(health.TapUnavailable, t.balance)
	for failures := 0; ctx.Err() == nil; {
		began := time.Now()
		err := t.once(ctx)
		if ctx.Err() != nil {
			return
		}
		if time.Since(began) > port.Steady {
			failures = 0
		}
		failures++
		t.unavailable(err)
		if !port.Again(ctx, failures, longestWait) {
			return
		}
	}
}

// longestWait is how long a tap that cannot be opened waits before it tries again, at the most.
const longestWait = 5 * time.Second

// door is where programs come.
type door interface {
	// next waits for a program. Its session has ended when next is called again. An error means that the door is of no use
	// any more.
	next(ctx context.Context) (session, error)
	// close takes the door away, and frees a pending next.
	close()
}

// session is one program at the door. Read and Write fail once it has gone, or close was called, which frees both.
type session interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	close()
}

func (t *Tap) open(ctx context.Context) (door, error) {
	switch {
	case t.cfg.PseudoTerminal != "":
		return openPseudoTerminal(t.cfg.PseudoTerminal, t.cfg.Group)
	case t.cfg.Port != nil:
		return openSerial(ctx, *t.cfg.Port)
	}
	return t.openTCP(ctx)
}

// once opens the tap and serves programs until that fails.
func (t *Tap) once(ctx context.Context) error {
	d, err := t.open(ctx)
	if err != nil {
		return err
	}
	defer d.close()
	stop := context.AfterFunc(ctx, d.close)
	defer stop()
	t.board.Clear(health.TapUnavailable, t.balance)
	t.note(func(s *Status) { s.Open = true })
	defer t.note(func(s *Status) { s.Open = false })
	t.log.Info("tap open")
	for {
		s, err := d.next(ctx)
		if err != nil {
			return err
		}
		t.serve(ctx, s)
	}
}

func (t *Tap) note(what func(s *Status)) {
	t.mu.Lock()
	defer t.mu.Unlock()
	what(&t.status)
}

func (t *Tap) unavailable(err error) {
	t.log.Warn("the tap cannot be used", "err", err)
	t.board.Raise(health.Condition{
		Code: health.TapUnavailable, Subject: t.balance, Severity: health.Warning,
		Sentence: fmt.Sprintf("The program that shares balance %s cannot reach it at %s: %v.", t.balance, t.cfg.Where(), err),
		Remedy:   remedy(err) + " weighpost reads and records the balance all the same, and tries again by itself.",
	})
}
