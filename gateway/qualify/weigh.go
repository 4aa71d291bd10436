package qualify

import (
	"context"
	"errors"
	"os"
	"strings"
	"time"

	"weighpost/gateway/intake"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/gateway/setup"
	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
	"weighpost/parsers/unit"
)

const (
	weighFor  = 2 * time.Minute // that somebody has to weigh and print
	askEvery  = time.Second
	idleAfter = 300 * time.Millisecond // of silence, by which a frame that ends so has ended
)

// weigh has somebody weigh, and holds what is read against what the display shows.
func (u *run) weigh(ctx context.Context, t *try, b *intake.Config) {
	t.tried("Somebody weighed at %s and typed in what its display showed, before they were shown what was read.", b.ID)
	t.expected("The reading has the digits and the unit of the display.")
	var poll []byte
	if u.Poll && b.Ask != nil {
		poll = []byte(b.Ask.Send)
		t.tried("%s The balance was asked by %s, as configured, and as --poll allows.", t.Tried, b.Ask.Send)
	}
	u.Person.Tell("Put something on " + b.ID + ", wait until its display stands still, and print. Leave it on.")
	value, err := u.read(ctx, b, poll)
	if err != nil {
		t.fail("No weight was read: %v.", err)
		return
	}
	shown, err := u.Person.Ask(ctx, setup.Question{Key: "display-" + b.ID, Text: "What does the display of " + b.ID + " show? Digits and unit, as they stand there, such as 12.3450 g"})
	if err != nil {
		t.notDone("A weight was read, and nobody typed in what the display shows: %v.", err)
		return
	}
	t.saw("Read: %s, %s. Typed in from the display: %q.", value.Shown(), value.Stability, shown)
	if !sameAsShown(value, shown) {
		t.fail("The reading is not what the display showed.")
	}
}

// sameAsShown compares digit by digit: a place less is another value.
func sameAsShown(v record.Value, shown string) bool {
	fields := strings.Fields(strings.Replace(strings.TrimSpace(shown), ",", ".", 1))
	if len(fields) == 0 {
		return false
	}
	digits, symbol := strings.TrimPrefix(fields[0], "+"), strings.Join(fields[1:], " ")
	return strings.TrimPrefix(v.Digits, "+") == digits && symbol != "" && (symbol == v.PrintedUnit || symbol == v.Unit)
}

// read gives the first weight that comes. poll is sent every second; nil: nothing ever is.
func (u *run) read(ctx context.Context, b *intake.Config, poll []byte) (v record.Value, err error) {
	p, err := u.Open(ctx, b.Port)
	if err != nil {
		return v, err
	}
	defer p.Close()
	reading := &reader{layout: u.Config.Layout(b.ID)}
	reading.split = reading.layout.Splitter()
	asked, limit := time.Time{}, time.Now().Add(weighFor)
	buf := make([]byte, 512)
	for ctx.Err() == nil && time.Now().Before(limit) {
		if poll != nil && time.Since(asked) >= askEvery {
			if _, err := p.Write(poll); err != nil {
				return v, err
			}
			asked = time.Now()
		}
		if err := p.SetReadDeadline(time.Now().Add(idleAfter)); err != nil {
			return v, err
		}
		n, err := p.Read(buf)
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded):
			reading.split.Idle(reading.take)
		case errors.Is(err, port.ErrBreak):
		case err != nil:
			return v, err
		default:
			reading.split.Push(buf[:n], reading.take)
		}
		if reading.value != nil {
			return *reading.value, nil
		}
	}
	if err := ctx.Err(); err != nil {
		return v, err
	}
	return v, reading.nothing()
}

// reader turns frames into the first weight among them.
type reader struct {
	layout *layout.Layout
	split  *frame.Splitter
	value  *record.Value
	unread string // the last frame that is no weight, with why
}

func (r *reader) take(f frame.Frame) {
	if r.value != nil {
		return
	}
	var of layout.Reading
	if err := r.layout.Apply(f, &of); err != nil {
		r.unread = hexes(f.Bytes) + ": " + err.Error()
		return
	}
	if of.Quantity == unit.Count || of.Quantity == unit.Percent {
		r.unread = hexes(f.Bytes) + ": it is no mass"
		return
	}
	v := record.ValueOf(&of)
	r.value = &v
}

func (r *reader) nothing() error {
	if r.unread != "" {
		return errors.New("nothing that the layout takes for a weight came within " + weighFor.String() + "; the last was " + r.unread)
	}
	return errors.New("nothing came within " + weighFor.String())
}
