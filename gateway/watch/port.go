package watch

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
)

// Port watches a port, which nobody else may have open meanwhile.
type Port struct {
	Config port.Config
	Layout *layout.Layout // nil: what comes is shown line by line, and a pause ends a line too
	// Busy is asked for words where another program has the port; "" for none. It may be nil.
	Busy func(ctx context.Context) string
}

// pause ends a line of a balance that prints no line ends.
const pause = 100 * time.Millisecond

// mostBytes of a line without an end are shown in one line.
const mostBytes = 256

// Run hands over what comes until ctx ends, which is no error, or take fails. A port that cannot be opened at first is an
// error; one that goes away later is waited for.
func (p Port) Run(ctx context.Context, take func(Event) error) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	board := health.New(time.Now)
	line := port.NewLine(p.Config, "", board, slog.New(slog.DiscardHandler))
	line.Call("the port")
	v := &view{about: p.Config.Address, layout: p.Layout, take: take, fail: cancel, board: board}
	gap := pause
	if p.Layout != nil {
		v.splitter = p.Layout.Splitter()
		gap = p.Layout.IdleGap()
	}
	line.SetIdleGap(gap)
	board.OnChange(v.conditions)
	err := line.Run(ctx, v)
	if err == nil {
		err = context.Cause(ctx)
	}
	var first *firstError
	switch {
	case errors.As(err, &first):
		return p.refused(context.WithoutCancel(ctx), first)
	case errors.Is(err, context.Canceled):
		return nil
	}
	return err
}

// firstError is why a port could not be opened at first.
type firstError struct{ health.Condition }

func (e *firstError) Error() string { return e.Sentence + " " + e.Remedy }

func (p Port) refused(ctx context.Context, first *firstError) error {
	if first.Code == port.CodeBusy && p.Busy != nil {
		if words := p.Busy(ctx); words != "" {
			return errors.New(words)
		}
	}
	return first
}

// view shows what a port does. The port calls it from one goroutine; its board may from another.
type view struct {
	about    string
	layout   *layout.Layout
	splitter *frame.Splitter
	reading  layout.Reading
	lines    lines
	take     func(Event) error
	fail     context.CancelCauseFunc
	board    *health.Board

	mu sync.Mutex
	up bool // it was open once
}

func (v *view) tell(e Event) {
	if err := v.take(e); err != nil {
		v.fail(err)
	}
}

// conditions ends the watching where the port cannot be opened at first.
func (v *view) conditions() {
	v.mu.Lock()
	defer v.mu.Unlock()
	if list := v.board.List(); !v.up && len(list) > 0 {
		v.fail(&firstError{list[0]})
	}
}

func (v *view) Up(at time.Time) {
	v.mu.Lock()
	v.up = true
	v.mu.Unlock()
	v.tell(Event{Event: Connected, UTC: record.UTC(at), About: v.about})
}

func (v *view) Down(at time.Time, why error) {
	if v.splitter != nil {
		v.splitter.Reset()
	}
	v.lines.end(func(b []byte) { v.raw(b, at) })
	var trouble *port.Trouble
	if errors.As(why, &trouble) {
		v.tell(Event{Event: Away, UTC: record.UTC(at), About: v.about, Why: trouble.Sentence + " " + trouble.Remedy})
	}
}

func (v *view) Bytes(p []byte, a port.Arrival) {
	if v.splitter == nil {
		v.lines.add(p, func(b []byte) { v.raw(b, a.At) })
		return
	}
	v.splitter.Push(p, func(f frame.Frame) { v.frame(f, a.At) })
}

func (v *view) Idle(at time.Time) {
	if v.splitter == nil {
		v.lines.end(func(b []byte) { v.raw(b, at) })
		return
	}
	v.splitter.Idle(func(f frame.Frame) { v.frame(f, at) })
}

func (v *view) raw(b []byte, at time.Time) {
	v.tell(Event{Event: Frame, UTC: record.UTC(at), Bytes: b})
}

func (v *view) frame(f frame.Frame, at time.Time) {
	e := Event{Event: Reading, UTC: record.UTC(at), Bytes: f.Bytes}
	why := f.Fault
	if why == "" {
		if err := v.layout.Apply(f, &v.reading); err != nil {
			why = err.Error()
		}
	}
	if why != "" {
		e.Event, e.Why = Unread, why
		v.tell(e)
		return
	}
	value := record.ValueOf(&v.reading)
	e.Value, e.Person, e.Sample, e.Balance = &value, v.reading.Person(), v.reading.Sample(), v.reading.Balance()
	v.tell(e)
}

// lines cuts a stream after each line end, with nothing left out.
type lines struct{ buf []byte }

// add takes bytes and gives the lines that they complete. A carriage return waits for what follows it.
func (l *lines) add(p []byte, give func([]byte)) {
	for _, c := range p {
		if n := len(l.buf); n > 0 && l.buf[n-1] == '\r' && c != '\n' || n >= mostBytes {
			l.end(give)
		}
		l.buf = append(l.buf, c)
		if c == '\n' {
			l.end(give)
		}
	}
}

// end gives what has come of a line so far.
func (l *lines) end(give func([]byte)) {
	if len(l.buf) > 0 {
		give(l.buf)
		l.buf = l.buf[:0]
	}
}
