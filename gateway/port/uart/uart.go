// Package uart is a model of a serial line at the level of bits: what a receiver at one setting makes of what a sender at
// another one says. A pseudo-terminal has no speed and no parity, so tests that need a wrong one make their bytes here.
//
// A sender holds the line at levels for whole bit times. A receiver looks for a start bit sixteen times a bit, samples each
// bit in its middle, and checks parity and the first stop bit, as the chips do.
package uart

// Settings are those of a line. Parity is none, odd, even, mark or space.
type Settings struct {
	Speed, DataBits int
	Parity          string
	StopBits        int
}

// Char is what a receiver makes of one character.
type Char struct {
	Value   byte // as sampled
	Damaged bool // parity or framing error
	Break   bool // low throughout, stop bit included
}

// Wave is what a line did: its level in each bit time of the sender. Before and after it is high, which is idle.
type Wave struct {
	Speed  int
	Levels []bool
}

// Send gives the levels of text, characters back to back, after idle bit times of silence.
func (s Settings) Send(text []byte, idle int) Wave {
	w := Wave{Speed: s.Speed}
	for range idle {
		w.Levels = append(w.Levels, true)
	}
	for _, c := range text {
		w.Levels = append(w.Levels, false)
		for i := range s.DataBits {
			w.Levels = append(w.Levels, c>>i&1 == 1)
		}
		if p, has := s.parity(c); has {
			w.Levels = append(w.Levels, p)
		}
		for range s.StopBits {
			w.Levels = append(w.Levels, true)
		}
	}
	return w
}

// parity is the parity bit of a character, where there is one.
func (s Settings) parity(c byte) (bit, has bool) {
	odd := false
	for i := range s.DataBits {
		odd = odd != (c>>i&1 == 1)
	}
	switch s.Parity {
	case "even":
		return odd, true
	case "odd":
		return !odd, true
	case "mark":
		return true, true
	case "space":
		return false, true
	}
	return false, false
}

// oversampling is how often a receiver looks at the line in one of its bit times.
const oversampling = 16

// Receive gives what a receiver with these settings hears. After a framing error it waits for the line to be high before it
// looks for another start bit; with resync it takes the low level, where the stop bit should have been, for the next start
// bit at once. Chips do the one or the other.
func (s Settings) Receive(w Wave, resync bool) (chars []Char) {
	ticks := oversampling * s.Speed // in a second
	ends := (len(w.Levels)*ticks)/w.Speed + oversampling
	for tick, was := 0, true; tick < ends; {
		now := w.high(tick, ticks)
		if now || !was { // nothing changes before the sender's next bit
			was = now
			bit := tick * w.Speed / ticks
			tick = max(tick+1, ((bit+1)*ticks+w.Speed-1)/w.Speed)
			continue
		}
		middle := tick + oversampling/2
		if w.high(middle, ticks) { // a glitch, no start bit
			was, tick = true, middle
			continue
		}
		c, stop := s.character(w, middle)
		if chars == nil { // about as many as there is room for
			chars = make([]Char, 0, ends/(oversampling*8)+1)
		}
		chars = append(chars, c)
		was, tick = w.high(stop, ticks), stop
		if c.Break {
			continue
		}
		if !was && resync {
			was, tick = true, stop-oversampling/2
		}
	}
	return chars
}

// high is the level at a tick of so many in a second.
func (w Wave) high(tick, ticks int) bool {
	i := tick * w.Speed / ticks
	return i >= len(w.Levels) || w.Levels[i]
}

// character samples one character whose start bit has its middle at a tick, and gives the middle of its first stop bit.
func (s Settings) character(w Wave, start int) (c Char, stop int) {
	at, low, ticks := start, true, oversampling*s.Speed
	next := func() bool {
		at += oversampling
		level := w.high(at, ticks)
		low = low && !level
		return level
	}
	for i := range s.DataBits {
		if next() {
			c.Value |= 1 << i
		}
	}
	if want, has := s.parity(c.Value); has && next() != want {
		c.Damaged = true
	}
	if !next() {
		c.Damaged = true
	}
	if c.Break = low; low {
		c.Damaged = false
	}
	return c, at
}
