package setup

import (
	"context"
	"fmt"

	"weighpost/gateway/port"
	"weighpost/parsers/layout"
	"weighpost/parsers/learn"
)

// Watcher is a Person who is shown more than words, as a page can: what is told in data is left out of the words.
type Watcher interface {
	Person
	// Step is told that a step begins, from 1 on, as Steps names them.
	Step(n int)
	// Line is told the port, and how it is set, as far as they are known.
	Line(c port.Config)
	// Lines is shown what the balance printed, each time that more is known of it.
	Lines(l Lines)
	// Reads is shown a test weighing as it would be recorded.
	Reads(reading string)
	// Summary is shown what would be written: the block of the balance for a configuration, and where its layout goes ("" for
	// nowhere).
	Summary(configuration, block, layout string)
	// Waiting is told that the balance is waited for, and for what. Until over is called, back may be called to go one step back.
	Waiting(text string, back func()) (over func())
	// Listing is a text that says what the others say in data.
	Listing(text string)
}

// Lines is what a balance printed, as a layout sees it.
type Lines struct {
	Learnt   bool // from these lines
	Fits, Of int
	Frames   []learn.Frame
	Pieces   [][]learn.Piece // for each frame; nil where they are not known
	Doubts   []learn.Doubt
}

// Steps names the steps of AddBalance, in order.
func Steps() []string {
	return []string{"Port", "Settings", "Layout", "Balance", "Test", "Configuration"}
}

// hears is a person with all that a Watcher is told in words.
type hears struct{ Person }

func watcher(p Person) Watcher {
	if w, ok := p.(Watcher); ok {
		return w
	}
	return hears{p}
}

func (h hears) Step(n int) {
	h.Tell(fmt.Sprintf("\nStep %d of %d: %s", n, len(Steps()), Steps()[n-1]))
}
func (h hears) Line(port.Config)              {}
func (h hears) Lines(Lines)                   {}
func (h hears) Reads(reading string)          { h.Tell("Reads:  " + reading) }
func (h hears) Listing(text string)           { h.Tell(text) }
func (h hears) Waiting(string, func()) func() { return func() {} }

func (h hears) Summary(configuration, block, layout string) {
	h.Tell("This goes into " + configuration + ":\n\n" + indent(block))
	if layout != "" {
		h.Tell("and the layout into " + layout + ".")
	}
}

// waiting runs something that waits for the balance and that the person may leave to go one step back.
func (g *guide) waiting(ctx context.Context, text string, wait func(context.Context) error) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	over := g.p.Waiting(text, func() { cancel(errBack) })
	defer over()
	return wait(ctx)
}

// seen are the lines that were heard as a layout reads them that was there before.
func seen(l *layout.Layout, s learn.Sample) Lines {
	c := learn.Against(l, s)
	return Lines{Fits: c.Fits, Of: c.Of, Frames: c.Frames}
}

// learntSoFar are the lines as the best explanation sees them.
func learntSoFar(r *learn.Result) Lines {
	l := Lines{Learnt: true, Of: len(r.Frames), Frames: r.Frames}
	if len(r.Candidates) > 0 {
		best := r.Candidates[0]
		l.Fits, l.Of, l.Pieces, l.Doubts = best.Fits, best.Of, best.Pieces, best.Doubts
	}
	return l
}
