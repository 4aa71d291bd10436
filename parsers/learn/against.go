package learn

import (
	"bytes"
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
)

// Limits of a Comparison.
const (
	MostMisfits  = 50 // reasons; what has others is counted in the last
	MostExamples = 3  // of each reason
	mostShown    = 200
)

// Comparison says how captured bytes fit a layout.
type Comparison struct {
	Of      int      `json:"of"`   // frames, damaged ones and bytes outside of frames included
	Fits    int      `json:"fits"` // how many of them are readings
	Frames  []Frame  `json:"frames"`
	Misfits []Misfit `json:"misfits"` // the most frequent first
	Signs   []string `json:"signs"`   // what the frames that do not fit have in common, a sentence each
	LeftOut string   `json:"left_out,omitempty"`
}

// Misfit is one reason why frames do not fit.
type Misfit struct {
	Why      string `json:"why"` // the layout's sentence about the first of them
	Count    int    `json:"count"`
	First    int    `json:"first"` // the number of the first such frame, from 1
	Last     int    `json:"last"`
	Examples []int  `json:"examples"` // numbers of frames whose bytes differ, at most MostExamples
}

// Against compares captured bytes with a layout: which frames it reads, and which it does not, and why. It looks at the first
// MostBytes and MostFrames. The first frame may be the rest of one that was not heard whole: it is marked Opening.
func Against(l *layout.Layout, s Sample) *Comparison {
	c := comparison{l: l, out: &Comparison{}, groups: map[string]int{}}
	if len(s.Bytes) > MostBytes {
		c.out.LeftOut = fmt.Sprintf("of %d bytes, the first %d were looked at", len(s.Bytes), MostBytes)
		s.Bytes = s.Bytes[:MostBytes]
	}
	c.run(s)
	slices.SortStableFunc(c.out.Misfits, func(a, b Misfit) int { return cmp.Compare(b.Count, a.Count) })
	c.signs(s.Bytes)
	return c.out
}

// comparison is a Comparison on its way.
type comparison struct {
	l      *layout.Layout
	out    *Comparison
	groups map[string]int // reason without what differs from frame to frame → index of the misfit
	all    int
	fits   lengths
	misfit lengths
}

// lengths are those of the bodies of frames.
type lengths struct {
	n, least, most int
}

func (n *lengths) add(length int) {
	if n.n == 0 {
		n.least, n.most = length, length
	}
	n.n, n.least, n.most = n.n+1, min(n.least, length), max(n.most, length)
}

// run cuts the bytes as the daemon would, silences included.
func (c *comparison) run(s Sample) {
	splitter := c.l.Splitter()
	at := 0
	for _, pause := range s.Pauses {
		if pause > at && pause <= len(s.Bytes) {
			splitter.Push(s.Bytes[at:pause], c.frame)
			splitter.Idle(c.frame)
			at = pause
		}
	}
	splitter.Push(s.Bytes[at:], c.frame)
	if c.l.IdleGap() > 0 {
		splitter.Idle(c.frame)
	}
	splitter.Flush(c.frame)
	if c.all > c.out.Of {
		c.out.LeftOut = fmt.Sprintf("of %d frames, the first %d were looked at", c.all, c.out.Of)
	}
}

func (c *comparison) frame(f frame.Frame) {
	c.all++
	if c.out.Of == MostFrames {
		return
	}
	c.out.Of++
	out := Frame{Number: c.out.Of, Offset: int(f.Offset), Bytes: bytes.Clone(f.Bytes), Text: visible(f.Bytes), Opening: f.Opening, Why: f.Fault}
	if f.Fault == "" {
		var r layout.Reading
		if err := c.l.Apply(f, &r); err != nil {
			out.Why = err.Error()
			c.misfit.add(len(f.Body))
		} else {
			out.Fits, out.Reads = true, inShort(&r)
			c.fits.add(len(f.Body))
			c.out.Fits++
		}
	}
	c.out.Frames = append(c.out.Frames, out)
	if !out.Fits {
		c.group(out)
	}
}

// differing is what makes one reason into many sentences: what was found, and where. What is quoted first may be the layout's
// own word, which says little without the place.
var differing = regexp.MustCompile(`“[^”]*”|\d+`)

// group counts a frame among those with the same reason.
func (c *comparison) group(f Frame) {
	key := differing.ReplaceAllString(f.Why, "#")
	i, known := c.groups[key]
	if !known {
		i = min(len(c.out.Misfits), MostMisfits-1)
		c.groups[key] = i
		if i == len(c.out.Misfits) {
			c.out.Misfits = append(c.out.Misfits, Misfit{Why: f.Why, First: f.Number})
		} else {
			c.out.Misfits[i].Why = "other reasons"
		}
	}
	m := &c.out.Misfits[i]
	m.Count, m.Last = m.Count+1, f.Number
	if len(m.Examples) < MostExamples && !slices.ContainsFunc(m.Examples, func(n int) bool {
		return bytes.Equal(c.out.Frames[n-1].Bytes, f.Bytes)
	}) {
		m.Examples = append(m.Examples, f.Number)
	}
}

// signs says what the frames that do not fit have in common.
func (c *comparison) signs(b []byte) {
	o := c.out
	say := func(is bool, format string, args ...any) {
		if is {
			o.Signs = append(o.Signs, fmt.Sprintf(format, args...))
		}
	}
	unfit := o.Of - o.Fits
	say(len(b) == 0, "there are no bytes")
	if unfit == 0 {
		return
	}
	say(o.Fits == 0, "not one frame fits: this may be another balance, or the layout or the port's settings are for another")
	c.endSigns(b, say)
	c.byteSigns(b, say)
	if o.Fits == 0 {
		return
	}
	same := c.misfit.n > 1 && c.misfit.least == c.misfit.most
	say(same && c.fits.least == c.fits.most && c.fits.least != c.misfit.least,
		"all %d frames that do not fit have %d bytes, and all that fit have %d", c.misfit.n, c.misfit.least, c.fits.least)
	first := slices.IndexFunc(o.Frames, func(f Frame) bool { return !f.Fits })
	last := len(o.Frames) - 1
	for o.Frames[last].Fits {
		last--
	}
	say(unfit > 2 && first > 0 && last == len(o.Frames)-1 && unfit == len(o.Frames)-first,
		"up to frame %d all fit, and from frame %d on none does: the balance was set otherwise there, or another one was connected", first, first+1)
	say(unfit > 2 && first == 0 && last+1 == unfit && last < len(o.Frames)-1,
		"the first %d frames do not fit and all others do: they may be what the balance prints when it is switched on", unfit)
	say(unfit == 1 && first == 0 && o.Frames[0].Opening, "only the first frame does not fit: its beginning was not heard")
}

// endSigns compares the line ends that the layout names with those in the bytes.
func (c *comparison) endSigns(b []byte, say func(bool, string, ...any)) {
	cr, lf := bytes.Count(b, []byte{'\r'}), bytes.Count(b, []byte{'\n'})
	var has []string
	for _, e := range []struct {
		n    int
		name string
	}{{cr, "CR"}, {lf, "LF"}, {bytes.Count(b, []byte{0x02}), "STX"}, {bytes.Count(b, []byte{0x03}), "ETX"}} {
		if e.n > 1 {
			has = append(has, fmt.Sprintf("%s %d times", e.name, e.n))
		}
	}
	if len(has) == 0 {
		has = []string{"neither CR, LF, STX nor ETX more than once"}
	}
	ends := c.l.Splitter().EndNames()
	say(c.out.Of <= 1 && len(b) > 40 && ends != "", "the layout ends frames with %s; these bytes make %s, and they hold %s", ends,
		map[bool]string{true: "no frame", false: "only one"}[c.out.Of == 0], strings.Join(has, ", "))
}

// byteSigns looks for what wrong settings of a port make of text.
func (c *comparison) byteSigns(b []byte, say func(bool, string, ...any)) {
	var high, highText, control, zero int
	for _, x := range b {
		switch low := x & 0x7F; {
		case x >= 0x80:
			high++
			if low >= 0x20 && low < 0x7F || low == '\r' || low == '\n' {
				highText++
			}
		case x == 0:
			zero++
		case x < 0x20 && x != '\r' && x != '\n' && x != '\t' && (x < 0x02 || x > 0x06):
			control++
		}
	}
	const tenth = 10
	if len(b) < 8 {
		return
	}
	parity := high*4 > len(b) && highText*20 > high*19 && notUTF8(b)*2 > high
	say(parity, "%d of %d bytes have their eighth bit set and are text without it: this looks like 7 data bits and a parity bit, read as 8 data bits",
		high, len(b))
	say(!parity && (high+control)*tenth > 3*len(b), "%d of %d bytes are no text: this looks like the wrong speed", high+control, len(b))
	say(zero*tenth > 3*len(b), "%d of %d bytes are NUL: two bytes a character, a break, or the wrong speed", zero, len(b))
}

// notUTF8 is how many bytes belong to no character of UTF-8.
func notUTF8(b []byte) (n int) {
	for len(b) > 0 {
		r, size := utf8.DecodeRune(b)
		if r == utf8.RuneError && size == 1 {
			n++
		}
		b = b[size:]
	}
	return n
}

// inShort is a reading as people write it.
func inShort(r *layout.Reading) string {
	words := []string{r.Digits(), r.Unit.Key()}
	if r.Range != layout.InRange {
		words = []string{r.Range.String() + " range"}
	}
	if r.Kind != layout.KindUnknown {
		words = append(words, r.Kind.String())
	}
	if r.Stability != layout.StabilityUnknown {
		words = append(words, r.Stability.String())
	}
	return strings.Join(words, " ")
}

// visible makes bytes harmless to show. What is longer than mostShown bytes is cut.
func visible(b []byte) string {
	if len(b) > mostShown {
		return codePages[0].harmless(b[:mostShown]) + "…"
	}
	return codePages[0].harmless(b)
}
