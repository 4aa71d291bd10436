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
	settling    = 150 * time.Millisecond // before a poll: what comes while a port is opened is no answer
	pauseWithin = 100 * time.Millisecond // a silence that is noted; adapters hold bytes back for up to 16 ms
)

// hear takes down what comes until the balance pauses. Nothing at all is no error.
func (o hearing) hear(ctx context.Context, p port.Port, at Setting) (Heard, error) {
	h := Heard{At: at}
	stop := context.AfterFunc(ctx, func() { p.Close() })
	defer stop()
	if o.poll != nil {
		if err := o.ask(p); err != nil {
			return h, err
		}
	}
	began := time.Now()
	var last time.Time // of what came
	buf := make([]byte, 1024)
	for {
		until := began.Add(o.first)
		if !last.IsZero() {
			until = last.Add(o.quiet)
			if end := began.Add(o.whole); end.Before(until) {
				until = end
			}
		}
		if err := p.SetReadDeadline(until); err != nil {
			return h, stopped(ctx, err)
		}
		n, err := p.Read(buf)
		now := time.Now()
		came := n > 0 || errors.Is(err, port.ErrBreak)
		if came {
			h.take(p, buf[:n], !last.IsZero() && now.Sub(last) > pauseWithin)
			if last.IsZero() {
				began = now
			}
			last = now
		}
		full := len(h.Bytes) >= mostHeard || len(h.Breaks) >= mostBreaks
		switch {
		case full, errors.Is(err, os.ErrDeadlineExceeded):
			return h, nil
		case err != nil && !came:
			return h, stopped(ctx, err)
		}
	}
}

// ask sends the poll, once the line is quiet.
func (o hearing) ask(p port.Port) error {
	if err := p.SetReadDeadline(time.Now().Add(settling)); err != nil {
		return err
	}
	buf := make([]byte, 256)
	for range 64 { // what never ends is no reason not to ask
		if _, err := p.Read(buf); err != nil && !errors.Is(err, port.ErrBreak) {
			break
		}
	}
	if _, err := p.Write(o.poll); err != nil {
		return fmt.Errorf("the poll cannot be sent: %w", err)
	}
	return nil
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
