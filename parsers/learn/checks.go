package learn

import (
	"bytes"
	"fmt"

	"weighpost/parsers/sum"
)

// checkFound is a kind of check that the frames prove.
type checkFound struct {
	kind        sum.Kind
	written     string // hex, raw, decimal
	low         bool   // the low byte comes first
	coversStart bool
	coversEnd   bool
	after       bool // behind the frame's end bytes
	width       int  // bytes of the check
	suffix      int  // bytes of the line behind it
	from        int  // where the covered bytes begin in the line
	back        int  // how many bytes before the check are not covered
	fits, of    int
}

// form is one way to write a check.
type form struct {
	written string
	bytes   int // of the sum
	width   int
	low     bool
}

var forms = []form{
	{"hex", 1, 2, false}, {"hex", 2, 4, false}, {"hex", 2, 4, true}, {"raw", 1, 1, false}, {"raw", 2, 2, false}, {"raw", 2, 2, true},
	{"decimal", 1, 3, false}, {"decimal", 2, 5, false}, {"decimal", 2, 5, true},
}

// value reads check characters. ok is false where they are none in this form.
func (f form) value(b []byte) (v uint16, ok bool) {
	var n uint32
	for _, c := range b {
		switch {
		case f.written == "raw":
			n = n<<8 | uint32(c)
		case f.written == "decimal" && isDigit(c):
			n = n*10 + uint32(c-'0')
		case f.written == "hex" && isDigit(c):
			n = n<<4 | uint32(c-'0')
		case f.written == "hex" && (c|0x20) >= 'a' && (c|0x20) <= 'f':
			n = n<<4 | uint32(c|0x20-'a'+10)
		default:
			return 0, false
		}
	}
	if n >= 1<<(8*f.bytes) {
		return 0, false
	}
	if f.low {
		return uint16(n)<<8 | uint16(n)>>8, true
	}
	return uint16(n), true
}

// checkTries bounds the frames that one guess of a check is tried on.
const checkTries = 64

// findCheck finds the check that the frames prove, or nil. A guess counts where most frames agree, three different ones at
// least: each that agrees makes chance 256 times smaller, and there are some thousand guesses. A check that is found and
// wrong after all would refuse lines and never change a weight.
func findCheck(f *framing, a *Answers) *checkFound {
	if a.Check == "none" {
		return nil
	}
	want, _ := sum.ByName(a.Check)
	frames := distinctFrames(f)
	if len(frames) < FewFrames {
		return nil
	}
	var best *checkFound
	for kind := sum.XOR; kind.Width() > 0; kind++ {
		if want != sum.None && kind != want {
			continue
		}
		for _, fm := range forms {
			if fm.bytes*8 != kind.Width() {
				continue
			}
			switch c := tryForm(f, frames, kind, fm); {
			case c == nil:
			case c.fits == c.of:
				return c
			case best == nil || c.fits > best.fits:
				best = c // small sums in decimal digits look like hexadecimal ones, until one is above nine
			}
		}
	}
	return best
}

// distinctFrames are sound frames with different bodies.
func distinctFrames(f *framing) (all []cut) {
	seen := map[string]bool{}
	for _, c := range f.good() {
		if !seen[string(c.body)] && len(c.body) >= 4 && len(all) < checkTries {
			seen[string(c.body)] = true
			all = append(all, c)
		}
	}
	return all
}

// tryForm tries one kind, written in one way, over all plausible spans.
func tryForm(f *framing, frames []cut, kind sum.Kind, fm form) *checkFound {
	if f.trailer > 0 {
		if f.trailer != fm.width {
			return nil
		}
		for _, cover := range [][2]bool{{false, true}, {false, false}, {true, true}, {true, false}} {
			c := &checkFound{kind: kind, written: fm.written, low: fm.low, after: true, width: fm.width, coversStart: cover[0], coversEnd: cover[1]}
			if (!cover[0] || f.start != "") && c.proven(f, frames, fm) {
				return c
			}
		}
		return nil
	}
	for suffix := range 3 {
		if suffix > 0 && !sameTail(frames, suffix) {
			break
		}
		for _, from := range []int{0, -1, 1, 2, 3, 4, 5, 6} { // the whole line first, then with the start bytes, then parts
			for back := range 4 {
				c := &checkFound{kind: kind, written: fm.written, low: fm.low, width: fm.width, suffix: suffix, from: max(0, from), back: back, coversStart: from < 0}
				if from < 0 && f.start == "" {
					continue
				}
				if c.proven(f, frames, fm) {
					return c
				}
			}
		}
	}
	return nil
}

// sameTail says that all frames end with the same n bytes, none of which could be a check's.
func sameTail(frames []cut, n int) bool {
	for _, c := range frames {
		if len(c.body) < n+4 || !bytes.Equal(c.body[len(c.body)-n:], frames[0].body[len(frames[0].body)-n:]) {
			return false
		}
	}
	return true
}

func (c *checkFound) proven(f *framing, frames []cut, fm form) bool {
	fits, wrong := 0, 0
	values := map[uint16]bool{}
	for _, fr := range frames {
		covered, printed, ok := c.parts(f, fr)
		v, fine := uint16(0), false
		if ok {
			v, fine = fm.value(printed)
		}
		if fine && sum.Compute(c.kind, covered) == v {
			fits++
			values[v] = true
		} else if wrong++; wrong*2 > len(frames) || wrong >= 3 && fits == 0 {
			return false
		}
	}
	c.fits, c.of = fits, fits+wrong
	return fits >= FewFrames && len(values) >= 2 && fits > wrong && fits*c.kind.Width() >= 24
}

// parts gives what a frame's check covers, and its characters.
func (c *checkFound) parts(f *framing, fr cut) (covered, printed []byte, ok bool) {
	start := len(f.start)
	if c.after {
		from, to := start, start+len(fr.body)
		if c.coversStart {
			from = 0
		}
		if c.coversEnd {
			to += len(f.end)
		}
		if len(fr.trailer) != c.width || to > len(fr.bytes) {
			return nil, nil, false
		}
		return fr.bytes[from:to], fr.trailer, true
	}
	at := len(fr.body) - c.suffix - c.width
	to := at - c.back
	if at < 3 || to <= c.from+1 {
		return nil, nil, false
	}
	printed = fr.body[at : at+c.width]
	if c.coversStart {
		return fr.bytes[:start+to], printed, start+to <= len(fr.bytes)
	}
	return fr.body[c.from:to], printed, true
}

// strip is a frame's body without check and what follows it.
func (c *checkFound) strip(body []byte) []byte {
	if c == nil || c.after || len(body) < c.width+c.suffix {
		return body
	}
	return body[:len(body)-c.width-c.suffix]
}

func (c *checkFound) say() string {
	where := "at the end of the line"
	if c.after {
		where = "behind the end bytes"
	}
	return fmt.Sprintf("the check %s (%s), %s, proven on %d of %d different frames", c.kind, c.written, where, c.fits, c.of)
}
