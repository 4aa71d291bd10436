package setup

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"weighpost/gateway/port"
)

// hearing is one listening at one setting.
type hearing struct {
	poll  []byte        // sent first; nil: nothing is sent
	first time.Duration // how long the first byte may take
	quiet time.Duration // a silence that ends a print
	whole time.Duration // how long a balance that never pauses is listened to
}

const (
	quietAfter  = 700 * time.Millisecond // longer than balances pause within a print
	wholeStream = 3 * time.Second
	settling    = 150 * time.Millisecond // after opening, which may make a balance or an adapter say something
	pauseWithin = 100 * time.Millisecond // a silence that is noted; adapters hold bytes back for up to 16 ms
)

// opening is how many bytes and breaks at the most are what opening a port made of itself, and are thrown away.
const opening = 2

// hear takes down what comes until the balance pauses. Nothing at all is no error. Ready is called once the port is quiet
// after it was opened, or bytes come.
func (o hearing) hear(ctx context.Context, p port.Port, at Setting, ready func()) (Heard, error) {
	h := Heard{At: at}
	stop := context.AfterFunc(ctx, func() { p.Close() })
	defer stop()
	began := time.Now()
	last, err := o.until(p, &h, began.Add(settling), time.Time{})
	if err != nil {
		return h, stopped(ctx, err)
	}
	if o.poll != nil || len(h.Bytes)+len(h.Breaks) <= opening {
		h, last = Heard{At: at}, time.Time{}
	}
	ready()
	if o.poll != nil {
		if _, err := p.Write(o.poll); err != nil {
			return h, fmt.Errorf("the poll cannot be sent: %w", err)
		}
	}
	if _, err = o.until(p, &h, time.Now().Add(o.first), last); err != nil {
		return h, stopped(ctx, err)
	}
	return h, nil
}

// until takes down what comes before a time, or, once something has, until the balance pauses. It says when the last of it
// came.
func (o hearing) until(p port.Port, h *Heard, end, last time.Time) (time.Time, error) {
	buf := make([]byte, 1024)
	whole := last.Add(o.whole)
	for {
		until := end
		if !last.IsZero() {
			if until = last.Add(o.quiet); whole.Before(until) {
				until = whole
			}
		}
		if err := p.SetReadDeadline(until); err != nil {
			return last, err
		}
		n, err := p.Read(buf)
		now := time.Now()
		came := n > 0 || errors.Is(err, port.ErrBreak)
		if came {
			h.take(p, buf[:n], !last.IsZero() && now.Sub(last) > pauseWithin)
			if last.IsZero() {
				whole = now.Add(o.whole)
			}
			last = now
		}
		full := len(h.Bytes) >= mostHeard || len(h.Breaks) >= mostBreaks
		switch {
		case full, errors.Is(err, os.ErrDeadlineExceeded), !now.Before(until) && !last.IsZero():
			return last, nil
		case err != nil && !came:
			return last, err
		}
	}
}

// take adds what a read brought.
func (h *Heard) take(p port.Port, b []byte, paused bool) {
	base := len(h.Bytes)
	if paused && base > 0 {
		h.Pauses = append(h.Pauses, base)
	}
	if m, ok := p.(marker); ok {
		damaged, breaks := m.Marks()
		for _, at := range damaged {
			if at < len(b) {
				h.Damaged = append(h.Damaged, base+at)
			}
		}
		for _, at := range breaks {
			h.Breaks = append(h.Breaks, base+min(at, len(b)))
		}
	}
	h.Bytes = append(h.Bytes, b...)
}

// stopped is why reading ended: the end of ctx, or what the port said.
func stopped(ctx context.Context, err error) error {
	if cause := context.Cause(ctx); cause != nil {
		return cause
	}
	return err
}
