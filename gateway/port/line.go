package port

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"weighpost/gateway/health"
)

// Handler is told what happens on a port. Every method is called from the goroutine of Line.Run, one at a time; while one
// runs nothing is read, and bytes wait in the system's buffer. Times carry the monotonic clock.
type Handler interface {
	// Up says that the port is open. It and Down alternate, Up first.
	Up(at time.Time)
	// Bytes hands over what was read; p is valid only during the call.
	Bytes(p []byte, a Arrival)
	// Idle says that nothing came for the idle gap after the last bytes: once for each pause, and only if there is an idle gap.
	Idle(at time.Time)
	// Down says that the port went. why is a *Trouble, or wraps the cause of the context's end when the daemon stops.
	Down(at time.Time, why error)
}

// Line keeps one port open. Make it with [NewLine]; call SetIdleGap if pauses matter.
type Line struct {
	cfg     Config
	subject string
	what    string // as sentences call it
	board   *health.Board
	log     *slog.Logger
	backoff backoff
	open    func(context.Context) (Port, error) // cfg.Open, other in tests

	mu   sync.Mutex
	port Port // nil while down

	trouble *Trouble // whose condition holds; nil for none
	cause   cause

	trying trying
	turns  Turns
	beside beside

	stalls              *Stalls
	idleGap             atomic.Int64 // ns; 0: pauses do not matter
	life                life
	stuck               atomic.Bool // the condition flow-stuck holds
	opens, reads, bytes atomic.Uint64
}

// NewLine makes the line of the balance called subject. Conditions go to board under that name. board and log may be nil.
func NewLine(cfg Config, subject string, board *health.Board, log *slog.Logger) *Line {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return &Line{cfg: cfg, subject: subject, what: "balance " + subject, board: board, log: log.With("balance", subject, "port", cfg.Address),
		backoff: usualBackoff, open: cfg.Open, cause: cause{cfg: cfg}, trying: newTrying()}
}

// WatchStalls has arrivals say what s knows of this process being late. It comes before Run.
func (l *Line) WatchStalls(s *Stalls) { l.stalls = s }

// SetIdleGap has the handler's Idle called after a silence of d; 0 means never. It may be called from any goroutine, and
// holds from the next bytes on.
func (l *Line) SetIdleGap(d time.Duration) { l.idleGap.Store(int64(d)) }

// Counts says what a line has done since it was made.
type Counts struct {
	Opens uint64 // attempts to open, good or bad
	Reads uint64 // reads that returned
	Bytes uint64 // bytes received
}

// Counts may be called from any goroutine.
func (l *Line) Counts() Counts {
	return Counts{Opens: l.opens.Load(), Reads: l.reads.Load(), Bytes: l.bytes.Load()}
}

// ErrDown is returned by Line.Write while the port is not open.
var ErrDown = errors.New("the port is not open")

// Write sends p to the balance, or says ErrDown, or ErrListenOnly. It may be called from any goroutine and takes no longer than the write
// limit of the configuration; the error is then os.ErrDeadlineExceeded.
func (l *Line) Write(p []byte) (int, error) {
	if l.cfg.ListenOnly {
		return 0, ErrListenOnly
	}
	l.mu.Lock()
	port := l.port
	l.mu.Unlock()
	if port == nil {
		return 0, ErrDown
	}
	n, err := port.Write(p)
	switch {
	case errors.Is(err, os.ErrDeadlineExceeded):
		l.flowStuck()
	case err == nil:
		l.flowFree()
	}
	return n, err
}

// flowStuck says that the balance holds back what is sent to it. Reading goes on.
func (l *Line) flowStuck() {
	l.stuck.Store(true)
	if l.board == nil {
		return
	}
	c := l.cfg.withDefaults()
	var s string
	switch {
	case c.isTCP():
		s = "See that the device server and the balance have the same flow control, and that the balance is on."
	case c.isRFC2217() && c.Flow == FlowNone:
		s = "See that the device server works, and that no other program has its serial port; flow control is off at this port."
	case c.Flow == FlowNone:
		s = "See that the adapter works; flow control is off at this port."
	default:
		s = fmt.Sprintf("See that the balance has the flow control %s too, that its cable has the wires for it, and that it is not waiting for somebody.", c.Flow)
	}
	l.board.Raise(health.Condition{Code: health.FlowStuck, Subject: l.subject, Severity: health.Warning,
		Sentence: fmt.Sprintf("Balance %s has not taken what was sent to it within %s: flow control holds it back. What it prints is still read.", l.subject, c.WriteTimeout),
		Remedy:   s})
}

// flowFree says that something was sent again, or that the port is gone.
func (l *Line) flowFree() {
	if l.stuck.Swap(false) && l.board != nil {
		l.board.Clear(health.FlowStuck, l.subject)
	}
}

// Call has sentences call what is at the other end by another name than that of a balance: "the scanner of balance b-12".
// It comes before Run.
func (l *Line) Call(what string) { l.what = what }

// Run opens the port, reads it, and opens it again whenever it went, until ctx ends; then it returns nil with the port
// closed and its condition cleared. It returns an error at once only if the configuration can never be opened.
func (l *Line) Run(ctx context.Context, h Handler) error {
	if err := l.cfg.refuse(); err != nil {
		return err
	}
	defer l.settle(nil)
	defer l.life.work()
	for failures := 0; ctx.Err() == nil; {
		began := time.Now()
		trouble := l.once(ctx, h)
		if ctx.Err() != nil {
			return nil
		}
		if trouble.Code == CodeLost && time.Since(began) >= Steady {
			failures = 0
		}
		failures++
		l.life.rest()
		if !l.pause(ctx, l.backoff.delay(failures, l.backoff.longest(l.cfg, trouble))) {
			return nil
		}
	}
	return nil
}

// once tries to open the port and, if that works, lives with it until it goes.
func (l *Line) once(ctx context.Context, h Handler) *Trouble {
	l.opens.Add(1)
	l.life.rest()
	p, err := l.open(ctx)
	l.life.work()
	if err != nil {
		var trouble *Trouble
		if !errors.As(err, &trouble) {
			trouble = explain(l.cfg.withDefaults(), err)
		}
		if ctx.Err() == nil {
			l.settle(trouble)
		}
		l.trying.tell(trouble)
		return trouble
	}
	stop := context.AfterFunc(ctx, func() { p.Close() })
	l.use(p)
	l.settle(nil)
	l.trying.tell(nil)
	l.cause.learn()
	l.log.Info("port open")
	h.Up(time.Now())
	l.beside.turn(true)

	why := l.read(p, h)
	at := time.Now()
	l.use(nil)
	l.beside.turn(false)
	l.flowFree()
	stop()
	p.Close()
	trouble := lost(l.cfg, why)
	if ctx.Err() != nil {
		h.Down(at, stopped(ctx))
		return trouble
	}
	l.settle(trouble)
	h.Down(at, trouble)
	return trouble
}

// read hands over what comes until the port fails, and returns why it did.
func (l *Line) read(p Port, h Handler) error {
	buf := make([]byte, 4096)
	knows, _ := p.(emptier)
	marks, _ := p.(marker)
	vague, _ := p.(vague)
	talking := false // bytes came, and the pause after them was not told yet
	for {
		if gap := time.Duration(l.idleGap.Load()); talking && gap > 0 {
			if err := p.SetReadDeadline(time.Now().Add(gap)); err != nil {
				return err
			}
		}
		l.life.rest()
		n, err := p.Read(buf)
		a := Arrival{At: time.Now()}
		l.life.workFrom(a.At)
		l.reads.Add(1)
		switch {
		case n > 0:
			if knows != nil {
				a.Emptied, a.Held = l.held(knows, a.At)
			}
			if marks != nil {
				a.Damaged, a.Breaks = marks.Marks()
			}
			a.Vague = vague != nil && vague.Vague()
			l.bytes.Add(uint64(n))
			l.beside.bytes(buf[:n])
			h.Bytes(buf[:n], a)
			l.beside.handled()
			talking = true
			if err != nil {
				return err
			}
		case talking && errors.Is(err, os.ErrDeadlineExceeded):
			talking = false
			if err := p.SetReadDeadline(time.Time{}); err != nil {
				return err
			}
			h.Idle(a.At)
		case marks != nil && errors.Is(err, ErrBreak):
			_, breaks := marks.Marks()
			if b, ok := h.(Breaker); ok && len(breaks) > 0 {
				b.Breaks(len(breaks), a.At)
			}
			if d, ok := h.(Damager); ok && vague != nil && vague.Vague() {
				d.Damage(a.At)
			}
		case err != nil:
			return err
		default:
			return io.ErrNoProgress // never seen from our drivers; going round again could spin
		}
	}
}

// held is when the port was found empty, and how long what was read at the time at may have waited.
func (l *Line) held(p emptier, at time.Time) (emptied time.Time, held time.Duration) {
	emptied, waited := p.Emptied()
	since := emptied
	if late := l.stalls.since(at); waited && late.After(since) {
		since = late
	}
	if since.IsZero() {
		return emptied, HeldUnknown
	}
	return emptied, max(at.Sub(since), 0)
}

// use makes p the port that Write writes to.
func (l *Line) use(p Port) {
	l.mu.Lock()
	l.port = p
	l.mu.Unlock()
}

// settle makes the trouble the one condition of this port; nil means that all is well. A port that was lost and is now
// missing has still one cause, so it stays lost; where it hung may have gone in the meantime.
func (l *Line) settle(t *Trouble) {
	old := l.trouble
	if old != nil && t != nil && old.Code == CodeLost && t.Code == CodeMissing {
		t = old
	}
	l.trouble = t
	if t != nil && (old == nil || old.Code != t.Code) {
		l.log.Warn(t.Code, "why", t.Error())
	}
	if l.board == nil {
		return
	}
	if old != nil && (t == nil || old.Code != t.Code) {
		l.board.Clear(old.Code, l.subject)
	}
	if t != nil {
		l.board.Raise(health.Condition{Code: t.Code, Subject: l.subject, Severity: health.Error, From: l.cause.of(t),
			Sentence: fmt.Sprintf("Nothing comes from %s. %s", l.what, t.Sentence), Remedy: t.Remedy})
	}
}
