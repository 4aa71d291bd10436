package port

import (
	"fmt"
	"slices"
	"time"
)

// What a device server says of the line, and which bytes it may be about.
//
// NOTIFY-LINESTATE says that a byte came with a parity or framing error, or that one was lost, and not which. It stands near
// that byte: before it where the server packs bytes and sends word of them at once, behind it where the server looks at its
// line now and then. So everything that came in one piece with it counts as damaged, and everything that follows within the
// time that the way to the balance may hold a byte back (latency). What came before may be damaged as well; that is told, and
// cannot be taken back. A server need not report anything: then a damaged byte looks like a good one, as on tcp.

// ErrDamage is what Read says when a device server reported a damaged byte and no byte came. It is a kind of ErrBreak.
var ErrDamage = fmt.Errorf("a device server reported a parity or framing error, and no byte came: it is treated as %w", ErrBreak)

// marks are offsets in data: see Arrival.
type marks struct {
	damaged, breaks []int
	reported        bool // damage, that may be before the data as well
}

// mostBreaks bounds what is kept for a Read that does not come.
const mostBreaks = 4096

// take moves the marks of the first n bytes, or all of them.
func (m *marks) take(to *marks, n int, all bool) {
	to.reported, m.reported = m.reported, false
	to.damaged, m.damaged = split(to.damaged[:0], m.damaged, n, all)
	to.breaks, m.breaks = split(to.breaks[:0], m.breaks, n, all)
}

func split(first, list []int, n int, all bool) (taken, left []int) {
	i := len(list)
	if !all {
		i, _ = slices.BinarySearch(list, n)
	}
	taken = append(first, list[:i]...)
	left = list[:copy(list, list[i:])]
	for k := range left {
		left[k] -= n
	}
	return taken, left
}

// withoutByte is what a Read says that has no byte to give.
func (m *marks) withoutByte() error {
	switch {
	case len(m.breaks) > 0:
		return ErrBreak
	case m.reported:
		return ErrDamage
	}
	return nil
}

// damageWindow knows until when what comes counts as damaged.
type damageWindow struct {
	latency time.Duration
	until   time.Time
}

// put adds data that was received in one piece. Damaged bytes become NUL.
func (w *damageWindow) put(have, data []byte, b *batch, found *marks, now time.Time) []byte {
	from := len(have)
	if b.errors {
		w.until = now.Add(w.latency)
		found.reported = true
	}
	if b.errors || now.Before(w.until) {
		clear(data)
		for i := range data {
			found.damaged = append(found.damaged, from+i)
		}
	}
	for _, at := range b.breaks[:min(len(b.breaks), mostBreaks-min(mostBreaks, len(found.breaks)))] {
		found.breaks = append(found.breaks, from+at)
	}
	return append(have, data...)
}

// batch takes what one decode finds beside the data.
type batch struct {
	options *options
	state   *comState
	breaks  []int // offsets in the data
	errors  bool  // a byte near is damaged
	reply   []byte
	replies int // since the beginning of the connection
}

func (b *batch) begin(o *options, s *comState) {
	b.options, b.state, b.breaks, b.errors, b.reply = o, s, b.breaks[:0], false, b.reply[:0]
}

func (b *batch) broke(at int) {
	b.errors = true // a break hits whatever is on its way
	b.breaks = append(b.breaks, at)
}

func (b *batch) option(_ int, verb, option byte) { b.answer(b.options.hear(verb, option)...) }

func (b *batch) negotiation(at int, option byte, p []byte) {
	if option != optionComPort {
		return
	}
	line, asks := b.state.hear(p)
	if line&lineBreak != 0 {
		b.broke(at)
	}
	b.errors = b.errors || line&lineErrors != 0
	if asks {
		b.answer(appendNegotiation(nil, optionComPort, append([]byte{comSignature}, "weighpost"...)...)...)
	}
}

// answer has the server told something, a limited number of times.
func (b *batch) answer(p ...byte) {
	if len(p) == 0 {
		return
	}
	if b.replies++; b.replies <= mostReplies {
		b.reply = append(b.reply, p...)
	}
}
