package intake

import (
	"bytes"

	"weighpost/gateway/port"
)

// signs is what the bytes look like that have come since the last frame that could be read. It knows no clock.
//
// A receiver at another speed than the sender samples runs of equal bits: NUL, 0xFF, 0xF8, 0xE0 and the like, breaks and
// framing errors, and hardly any text. At the right speed and with another parity the text stays, with its eighth bit as a
// parity bit or with parity errors beside it.
type signs struct {
	text    int // undamaged bytes of ASCII text, line ends and the controls that frames are made of
	nul     int // undamaged
	control int // other controls
	high    int // bytes with the eighth bit

	damaged, breaks int

	utf       int // of the bytes with the eighth bit: those that make letters of UTF-8
	clean     int // of the bytes with the eighth bit: those that are text without it
	even, odd int // of all undamaged bytes: those with an even and an odd number of ones
	cr, lf    int // of the frame that is not finished

	letter, rest int // bytes of a letter of UTF-8 so far, and how many are to come
}

// class of a byte: see signs.
type class uint8

const (
	classText class = iota
	classNUL
	classControl
	classHigh
)

var classes = func() (table [256]class) {
	for c := range table {
		switch {
		case c == 0:
			table[c] = classNUL
		case c >= 0x80:
			table[c] = classHigh
		case c == 0x7F, c < ' ' && !bytes.ContainsRune([]byte("\t\n\v\f\r\x02\x03\x04\x05\x06\x1B"), rune(c)):
			table[c] = classControl
		}
	}
	return table
}()

// oddOnes says whether a byte has an odd number of ones.
func oddOnes(c byte) bool {
	c ^= c >> 4
	c ^= c >> 2
	return (c^c>>1)&1 == 1
}

// add takes bytes that no frame could be read from.
func (s *signs) add(p []byte, a port.Arrival) {
	damaged := a.Damaged
	s.damaged += len(damaged)
	s.breaks += len(a.Breaks)
	for i, c := range p {
		if len(damaged) > 0 && damaged[0] == i {
			damaged = damaged[1:]
			continue
		}
		switch classes[c] {
		case classText:
			s.text++
		case classNUL:
			s.nul++
		case classControl:
			s.control++
		case classHigh:
			s.high++
			if classes[c&0x7F] == classText {
				s.clean++
			}
		}
		s.letters(c)
		if oddOnes(c) {
			s.odd++
		} else {
			s.even++
		}
	}
}

// unended takes what of the bytes belongs to a frame that is not finished.
func (s *signs) unended(p []byte) {
	s.cr += bytes.Count(p, []byte{'\r'})
	s.lf += bytes.Count(p, []byte{'\n'})
}

// letters finds letters of UTF-8 (RFC 3629, section 3), which no wrong speed makes many of.
func (s *signs) letters(c byte) {
	switch {
	case c < 0x80:
		s.letter, s.rest = 0, 0
	case s.rest > 0 && c < 0xC0:
		s.letter++
		if s.rest--; s.rest == 0 {
			s.utf += s.letter
		}
	case c >= 0xC2 && c < 0xE0:
		s.letter, s.rest = 1, 1
	case c >= 0xE0 && c < 0xF0:
		s.letter, s.rest = 1, 2
	default:
		s.letter, s.rest = 0, 0
	}
}

func (s *signs) bytes() int { return s.text + s.nul + s.control + s.high }
func (s *signs) total() int { return s.bytes() + s.damaged + s.breaks }

// enough is from how many characters on the signs mean something: a balance that is switched on or plugged in may send a
// few that mean nothing.
const enough = 24

// finding is what the signs point at.
type finding uint8

const (
	nothing     finding = iota
	floodOfNUL          // nothing but NUL
	sevenEven           // seven bits and even parity, read as eight bits
	sevenOdd            // seven bits and odd parity, read as eight bits
	sevenHigh           // seven bits and mark parity or two stop bits, read as eight bits
	otherParity         // text, and many parity errors
	otherSpeed          // hardly any text
	breaksAlone         // breaks and next to no bytes
)

// find says what the signs point at, the most telling first.
func (s *signs) find() finding {
	n, total := s.bytes(), s.total()
	if total < enough {
		return nothing
	}
	strange := s.nul + s.control + s.high - s.utf
	undisturbed := s.damaged == 0 && s.breaks == 0
	switch {
	case s.nul >= 2*enough && 100*s.nul >= 95*total:
		return floodOfNUL
	case undisturbed && s.high == s.clean && s.nul == 0 && s.control == 0 && 5*s.high >= n:
		switch {
		case s.high == n:
			return sevenHigh
		case s.even == n:
			return sevenEven
		case s.odd == n:
			return sevenOdd
		}
	case 100*s.breaks >= 90*total:
		return breaksAlone
	case 100*s.damaged >= 15*total && 50*s.breaks <= total && 100*strange <= 15*total && 10*s.text >= 3*total:
		return otherParity
	}
	if 10*(strange+s.damaged+s.breaks) >= 3*total {
		return otherSpeed
	}
	return nothing
}

// fade begins anew after very many characters, so that what comes later is not lost in what came before.
func (s *signs) fade() {
	if s.total() >= 1<<16 {
		*s = signs{cr: s.cr, lf: s.lf}
	}
}
