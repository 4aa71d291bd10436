package learntest

import (
	"bytes"
	"fmt"

	"weighpost/parsers/sum"
)

// wrapping is how a balance begins and ends a frame.
type wrapping struct {
	start, end string
	terms      []string // what follows each line; several where the balance, or what stands between, mixes them
	fixed      bool     // nothing ends a frame: all have one length, and there is silence between them
	pauses     bool     // whoever captured the sample noted the silences
}

const (
	stx = "\x02"
	etx = "\x03"
)

func commonWrapping(d dice) wrapping {
	w := wrapping{pauses: d.in100(40)}
	w.terms = shared(d, []share[[]string]{
		{74, []string{"\r\n"}}, {8, []string{"\n"}}, {8, []string{"\r"}}, {2, []string{"\n\r"}}, {2, []string{"\r\r\n"}},
		{2, []string{"\r\n", "\n"}}, {1, []string{"\r\n", "\r"}}, {1, []string{etx}}, {1, []string{";\r\n"}}, {2, []string{"\r\n\r\n"}},
	})
	return w
}

// telegram encloses the line.
func telegram(d dice) wrapping {
	w := wrapping{pauses: d.in100(40)}
	switch d.IntN(6) {
	case 0, 1, 2:
		w.start, w.end, w.terms = stx, etx, []string{""}
	case 3:
		w.start, w.end, w.terms = stx, etx, []string{"\r\n"}
	case 4:
		w.start, w.terms = stx, []string{"\r"}
	default:
		w.start, w.end, w.terms = one(d, "<", "[", "\x01", ":"), one(d, ">", "]", "\x04"), []string{"\r\n"}
	}
	return w
}

// checkStyle is how a balance makes and writes check characters.
type checkStyle struct {
	kind                   sum.Kind
	form                   string // "%02X" and the like for one byte, "raw", "decimal"
	low                    bool   // low byte first
	skip                   int    // bytes of the line that are not covered
	sep                    string // between line and check
	coversSep              bool
	after                  bool // behind the end bytes
	coversStart, coversEnd bool
	own                    func(b []byte) byte // a sum that package sum does not have
}

// in gives the line with its check behind it.
func (c *checkStyle) in(w wrapping, body []byte) []byte {
	covered := body[min(c.skip, len(body)):]
	if c.coversSep {
		covered = append(bytes.Clone(covered), c.sep...)
	}
	if c.coversStart {
		covered = append([]byte(w.start), covered...)
	}
	return append(append(bytes.Clone(body), c.sep...), c.write(covered)...)
}

// behind gives the check that follows the end bytes.
func (c *checkStyle) behind(w wrapping, body []byte) []byte {
	var covered []byte
	if c.coversStart {
		covered = append(covered, w.start...)
	}
	covered = append(covered, body...)
	if c.coversEnd {
		covered = append(covered, w.end...)
	}
	return c.write(covered)
}

// write gives the check of some bytes as the balance prints it.
func (c *checkStyle) write(b []byte) []byte {
	if c.own != nil {
		return fmt.Appendf(nil, c.form, c.own(b))
	}
	v, wide := sum.Compute(c.kind, b), c.kind.Width() == 16
	if c.low && wide {
		v = v<<8 | v>>8
	}
	switch {
	case c.form == "raw" && wide:
		return []byte{byte(v >> 8), byte(v)}
	case c.form == "raw":
		return []byte{byte(v)}
	case c.form == "decimal" && wide:
		return fmt.Appendf(nil, "%05d", v)
	case c.form == "decimal":
		return fmt.Appendf(nil, "%03d", v)
	case wide:
		return append(fmt.Appendf(nil, c.form, byte(v>>8)), fmt.Appendf(nil, c.form, byte(v))...)
	}
	return fmt.Appendf(nil, c.form, byte(v))
}

// commonCheck draws a check and, where it needs them, the marks around the line.
func commonCheck(d dice, g *design) {
	var kinds []sum.Kind
	for _, name := range sum.Names() {
		k, _ := sum.ByName(name)
		if k != sum.None {
			kinds = append(kinds, k)
		}
	}
	c := &checkStyle{kind: one(d, kinds...), low: d.in100(30)}
	if d.in100(55) {
		c.kind = one(d, sum.XOR, sum.XOR, sum.Sum8, sum.Sum8, sum.Sum8Twos, sum.CRC16Modbus)
	}
	c.form = shared(d, []share[string]{{60, "%02X"}, {12, "%02x"}, {16, "raw"}, {12, "decimal"}})
	if d.in100(7) {
		own := one(d, ownSums...)
		c.own, c.form = own.sum, own.form
	}
	switch d.IntN(5) {
	case 0, 1:
		c.sep = one(d, " ", ",", "*", "", " ")
		c.coversSep = d.in100(40)
		if d.in100(20) {
			g.line[0].before, c.skip = one(d, "$", ":", ">")+g.line[0].before, 1
			g.habits.overs = 0
		}
	case 2, 3:
		g.wrap = wrapping{start: stx, end: etx, terms: []string{one(d, "", "\r\n", "\r\n")}, pauses: g.wrap.pauses}
		c.after, c.coversEnd, c.coversStart = true, d.in100(60), d.in100(30)
	default:
		g.wrap = wrapping{start: stx, end: etx, terms: []string{""}, pauses: g.wrap.pauses}
		c.sep, c.coversStart = one(d, "", " "), d.in100(30)
		c.coversSep = c.sep != ""
	}
	if g.check = c; c.sep == "" && !c.after {
		g.trim, g.padMarks = false, true
		g.unit.width = max(g.unit.width, len([]rune(g.modes[0].symbol)))
		if g.number.width == 0 {
			c.sep = " "
		}
	}
}

// ownSum is a check that only its maker knows: no layout can prove it, and what it follows is the line as it stands.
type ownSum struct {
	form string
	sum  func(b []byte) byte
}

var ownSums = []ownSum{
	{"%02d", func(b []byte) byte { return byte(total(b) % 100) }},
	{"%02X", func(b []byte) byte { return byte(total(b)) & 0x7F }},
	{"%c", func(b []byte) byte { return 'A' + byte(total(b)%26) }},
	{"%02x", func(b []byte) byte { return byte(total(b)*3 + 1) }},
}

func total(b []byte) (n int) {
	for _, c := range b {
		n += int(c)
	}
	return n
}

// collides says whether check bytes look like something that ends or begins a frame.
func (g *design) collides(check []byte) bool {
	marks := g.wrap.start + g.wrap.end + " \t\x00\r\n"
	for _, t := range g.wrap.terms {
		marks += t
	}
	return g.check.form == "raw" && bytes.ContainsAny(check, marks)
}

// wrapped puts a line into a frame.
func (g *design) wrapped(d dice, body []byte, f *Frame) {
	w := g.wrap
	line := body
	if g.check != nil && !g.check.after {
		line = g.check.in(w, body)
		if g.collides(line[len(body)+len(g.check.sep):]) {
			f.shows(checkLikeAnEnd)
		}
	}
	f.Bytes = append([]byte(w.start), line...)
	f.From, f.To = span(f.Bytes, len(w.start))
	f.Bytes = append(f.Bytes, w.end...)
	if g.check != nil && g.check.after {
		check := g.check.behind(w, body)
		if g.collides(check) {
			f.shows(checkLikeAnEnd)
		}
		f.Bytes = append(f.Bytes, check...)
		f.To = len(f.Bytes)
	}
	term := w.terms[0]
	if len(w.terms) > 1 && d.in100(30) {
		term = w.terms[1]
		f.shows("terminator " + term)
	}
	f.Bytes = append(f.Bytes, term...)
}

// span is the part of b from an offset on that has no blanks around it.
func span(b []byte, from int) (start, end int) {
	start, end = from, len(b)
	for start < end && (b[start] == ' ' || b[start] == '\t' || b[start] == '\r' || b[start] == '\n') {
		start++
	}
	for end > start && (b[end-1] == ' ' || b[end-1] == '\t' || b[end-1] == '\r' || b[end-1] == '\n') {
		end--
	}
	return start, end
}
