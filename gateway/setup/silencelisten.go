package setup

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"weighpost/gateway/port"
)

func isNetwork(address string) bool { return strings.Contains(address, "://") }

// fixed says whether the settings of the line are not ours to choose: a raw device server has its own.
func (w *walk) fixed() bool { return strings.HasPrefix(w.config.Address, "tcp://") }

// ensure opens the port if it is not open.
func (w *walk) ensure(ctx context.Context) error {
	if w.port != nil {
		return nil
	}
	p, err := w.open(ctx, w.config)
	if err != nil {
		return err
	}
	w.port = p
	return nil
}

func (w *walk) close() {
	if w.port != nil {
		_ = w.port.Close()
		w.port = nil
	}
}

// listens waits for bytes in a step, and ends the walk if they came. More than a few bytes it takes for a line of the balance;
// fewer, and breaks, are what a plug makes that is moved, and are noted.
func (w *walk) listens(ctx context.Context, name, tried string) error {
	w.person.Tell(fmt.Sprintf("Listening for %s …", w.listen))
	got, breaks, err := w.hear(ctx, w.listen)
	w.known.breaks += breaks
	switch {
	case len(got) >= stray:
		w.report.Heard, w.report.At, w.report.Bytes = true, name, got
		w.known.heard = name
		w.note(name, OutcomeHeard, tried, fmt.Sprintf("Bytes came: %d so far.", len(got)))
		return errDone
	case err != nil:
		return err
	}
	w.known.strays += len(got)
	saw := "Nothing came."
	if len(got) > 0 || breaks > 0 {
		saw = fmt.Sprintf("No line came, only %d single bytes and %d breaks.", len(got), breaks)
	}
	w.note(name, OutcomeSilent, tried, saw)
	return nil
}

// hear collects bytes for d, or until a pause after the first of them. A port that goes away meanwhile is opened anew at
// intervals: people pull adapters when they look at cables.
func (w *walk) hear(ctx context.Context, d time.Duration) (got []byte, breaks int, err error) {
	until := time.Now().Add(d)
	buf := make([]byte, 1024)
	for looks := 0; ; looks++ {
		now := time.Now()
		if err := ctx.Err(); err != nil {
			return got, breaks, err
		}
		if looks > 0 && !now.Before(until) || len(got) >= mostSample {
			return got, breaks, nil
		}
		if err := w.ensure(ctx); err != nil {
			if !mayComeBack(err) {
				return got, breaks, err
			}
			if port.Wait(ctx, min(time.Until(until), pauseAfter)); time.Now().Before(until) {
				continue
			}
			return got, breaks, err
		}
		n := 0
		err := w.port.SetReadDeadline(now.Add(max(min(until.Sub(now), 100*time.Millisecond), time.Millisecond)))
		if err == nil {
			n, err = w.port.Read(buf)
		}
		if n > 0 {
			got = append(got, buf[:min(n, mostSample-len(got))]...)
			until = endOfLine(until, len(got), time.Now())
		}
		switch {
		case err == nil, errors.Is(err, os.ErrDeadlineExceeded):
		case errors.Is(err, port.ErrBreak):
			breaks++
		default:
			w.known.lost++
			w.close()
			port.Wait(ctx, min(time.Until(until), 50*time.Millisecond))
		}
	}
}

// endOfLine brings the end of listening nearer once a line has begun.
func endOfLine(until time.Time, n int, now time.Time) time.Time {
	if end := now.Add(pauseAfter); n >= stray && end.Before(until) {
		return end
	}
	return until
}

// mayComeBack says whether a port may come back by itself: it is not there now.
func mayComeBack(err error) bool {
	var t *port.Trouble
	return errors.As(err, &t) && (t.Code == port.CodeMissing || t.Code == port.CodeLost)
}

// heldByAnother says whether another program has the port.
func heldByAnother(err error) bool {
	var t *port.Trouble
	return errors.As(err, &t) && t.Code == port.CodeBusy
}
