package setup

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"strings"

	"weighpost/gateway/port/uart"
)

// sample is a balance's way to print: a made-up layout, one print each call. Prints have 16 characters or more.
type sample struct {
	name  string
	ascii bool // all of its characters are: only such a one can be sent in seven bits
	print func(r *rand.Rand, n int) string
}

func number(r *rand.Rand, width, decimals int, mark string) string {
	s := fmt.Sprintf("%0*d", decimals+1, r.IntN(220_0000))
	s = s[:len(s)-decimals] + mark + s[len(s)-decimals:]
	return fmt.Sprintf("%*s", width, s)
}

// samples are 24 made-up layouts, none of which the search knows.
var samples = []sample{
	{"columns", true, func(r *rand.Rand, n int) string { return "= " + number(r, 12, 4, ".") + " g  \r\n" }},
	{"comma", true, func(r *rand.Rand, n int) string { return "N    " + number(r, 10, 3, ",") + " mg\r\n" }},
	{"words", true, func(r *rand.Rand, n int) string { return "Gross weight: " + number(r, 9, 2, ".") + " kg stable\r\n" }},
	{"flag", true, func(r *rand.Rand, n int) string { return "sways,seed,+" + number(r, 0, 3, ".") + "g   ,#" + "\r" }},
	{"telegram", true, func(r *rand.Rand, n int) string {
		return "\x02A0+" + fmt.Sprintf("%08d", r.IntN(1e8)) + "GST\x03" + "\r\n"
	}},
	{"minus", true, func(r *rand.Rand, n int) string { return "-" + number(r, 14, 5, ".") + " ct *\r\n" }},
	{"line feed", true, func(r *rand.Rand, n int) string { return "seed lot  " + number(r, 8, 1, ".") + " g\n" }},
	{"counter", true, func(r *rand.Rand, n int) string {
		return fmt.Sprintf("No %04d;%s;g;1;", 17+n, number(r, 0, 4, ".")) + "\r\n"
	}},
	{"dated", true, func(r *rand.Rand, n int) string {
		return fmt.Sprintf("2026-11-%02d 08:%02d:%02d ", 1+n, n*7, n*11) + number(r, 0, 3, ".") + " g\r\n"
	}},
	{"brackets", true, func(r *rand.Rand, n int) string { return "[ " + number(r, 8, 3, ".") + "[5]] g net\r\n" }},
	{"pieces", true, func(r *rand.Rand, n int) string {
		return fmt.Sprintf("Count %6d PCS APW 0.%04d\r\n", r.IntN(9999), r.IntN(9999))
	}},
	{"block", true, func(r *rand.Rand, n int) string {
		return "G " + number(r, 9, 2, ".") + "\r\nT " + number(r, 9, 2, ".") + "\r\n"
	}},
	{"zeros", true, func(r *rand.Rand, n int) string { return "+00000000.0000 g \r\n" }},
	{"spaces", true, func(r *rand.Rand, n int) string { return "                " + number(r, 6, 1, ".") + "\r\n" }},
	{"tabs", true, func(r *rand.Rand, n int) string { return "b7\tnet\t" + number(r, 0, 4, ".") + "\tg\tok\r\n" }},
	{"overload", true, func(r *rand.Rand, n int) string {
		if n%2 == 1 {
			return "  ---- OVER ----  \r\n"
		}
		return "  " + number(r, 13, 3, ".") + " g\r\n"
	}},
	{"capitals", true, func(r *rand.Rand, n int) string { return "NETTO STABIL " + number(r, 0, 2, ",") + " KG\r\n" }},
	{"check", true, func(r *rand.Rand, n int) string {
		s := "W" + number(r, 11, 4, ".") + " g"
		sum := 0
		for _, c := range s {
			sum += int(c)
		}
		return fmt.Sprintf("%s*%02X\r\n", s, sum%256)
	}},
	{"ounces", true, func(r *rand.Rand, n int) string { return number(r, 12, 3, ".") + " oz  1/2 ok\r" }},
	{"percent", true, func(r *rand.Rand, n int) string { return "moisture  " + number(r, 7, 2, ".") + " %\r\n" }},
	{"micro", false, func(r *rand.Rand, n int) string { return "N " + number(r, 12, 1, ".") + " \xb5g\r\n" }},
	{"micro in another page", false, func(r *rand.Rand, n int) string { return "Poids: " + number(r, 10, 1, ",") + " \xe6g\r\n" }},
	{"degrees", false, func(r *rand.Rand, n int) string { return number(r, 9, 4, ".") + " g 21.4\xb0C 45%\r\n" }},
	{"letters beyond ASCII", false, func(r *rand.Rand, n int) string { return "\xc3\x9cberlast nein " + number(r, 9, 2, ",") + " g\r\n" }},
}

// truth is what stands on the other side of the cable.
type truth struct {
	Setting
	sample
	adapter
	pauses  bool // between characters
	midway  bool // listening begins in the middle of a print
	clock   int  // of the balance, off by so many thousandths
	flips   int  // levels of each print that noise turns
	presses int  // how often a person may press print
}

// every framing that a serial port can be set to with seven and eight data bits.
func everyFraming() (list []string) {
	for _, bits := range "78" {
		for _, parity := range "NEOMS" {
			for _, stop := range "12" {
				list = append(list, string([]rune{bits, parity, stop}))
			}
		}
	}
	return list
}

func (a adapter) String() string {
	return "adapter " + [ways]string{"tells", "NUL", "raw"}[a.tells] + [2]string{" waits", " goes on"}[a.sync]
}

func (t truth) String() string {
	return fmt.Sprintf("%v, layout %q, %v, pauses %v, midway %v, clock %+d per mille:", t.Setting, t.name, t.adapter, t.pauses, t.midway, t.clock)
}

// passed is what a port hands over of what its receiver heard.
func (a adapter) passed(at Setting, chars []uart.Char) Heard {
	h := Heard{At: at}
	for _, c := range chars {
		b := c.Value
		switch {
		case c.Break && a.tells == tellsDamage:
			h.Breaks = append(h.Breaks, len(h.Bytes))
			continue
		case c.Damaged && a.tells == tellsDamage:
			h.Damaged = append(h.Damaged, len(h.Bytes))
			b = 0
		case (c.Damaged || c.Break) && a.tells == givesNUL:
			b = 0
		}
		h.Bytes = append(h.Bytes, b)
	}
	return h
}

// found is how a session went.
type found struct {
	first   Candidate
	presses int
	sent    [][]byte
	heard   []Heard
}

func (f found) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%v %.3f, same %v, %q", f.first.Setting, f.first.Confidence, f.first.Same, f.first.Bytes)
	for _, h := range f.heard {
		fmt.Fprintf(&b, "\n     at %v: %d bytes, %d damaged, %d breaks: %q", h.At, len(h.Bytes), len(h.Damaged), len(h.Breaks), h.Bytes)
	}
	return b.String()
}

// session is a search as a person with a balance goes through it: one print a press, heard at one setting.
func (t truth) session(m *model, r *rand.Rand) found {
	s := newSearch(m)
	var f found
	var tried []Setting
	for f.presses < t.presses {
		at, more := s.next(tried)
		if !more {
			break
		}
		tried = append(tried, at)
		text := []byte(t.print(r, f.presses))
		f.presses++
		w := wave(t.Setting, text, t.pauses, r)
		w.Speed += w.Speed * t.clock / 1000
		flip(w, t.flips, r)
		if t.midway && f.presses == 1 {
			w.Levels = w.Levels[len(w.Levels)/3:]
		}
		h := t.passed(at, at.line().Receive(w, t.sync == 1))
		f.sent, f.heard = append(f.sent, text), append(f.heard, h)
		s.hear(h)
	}
	if len(s.heard) > 0 {
		f.first = s.candidates()[0]
	}
	return f
}

// read says whether the text is that of one print or more, each whole, in the order in which they were sent; the first may
// lack its beginning where listening began in the middle.
func (f found) read(t truth) bool {
	rest := f.first.Bytes
	if len(rest) < 8 {
		return false
	}
	for i := len(f.sent) - 1; i >= 0; i-- {
		if cut, ok := bytes.CutSuffix(rest, f.sent[i]); ok {
			rest = cut
		}
	}
	if t.midway && len(rest) > 0 {
		tail := rest[len(rest)/2:]
		return bytes.HasSuffix(f.sent[0], tail)
	}
	return len(rest) == 0
}

// verdict of a session.
func (f found) verdict(t truth) string {
	read := f.read(t)
	switch {
	case read && f.first.Setting == t.Setting:
		return "right"
	case read && f.first.Has(t.Setting):
		return "said"
	case f.first.Has(t.Setting): // the setting is the truth; what is shown of it is half a print, which is no text that was sent
		return "unsure"
	case f.first.Confidence >= sure:
		return "WRONG"
	}
	return "unsure"
}
