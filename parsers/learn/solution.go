package learn

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
	"strings"

	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
)

// solution is a layout that was tried on the sample.
type solution struct {
	src   *source
	plans []*plan
	text  []byte
	lay   *layout.Layout
	read  map[int]reading // by the number of the frame
	why   map[int]string  // of frames that are not read
	cuts  []cut           // the frames, cut by the layout itself

	messages int // how many frames it reads that look like messages: a mean or a capacity taken for a weight

	other   *solution // another explanation that fits as well, or nil
	differs string    // in what it does
}

// reading is what the layout reads in a frame.
type reading struct {
	digits string
	short  string
	r      *layout.Reading
}

// assemble makes a layout's source of a plan.
func assemble(f *framing, p *plan, check *checkFound, page codePage) *solution {
	src := &source{framing: f, page: page, check: check, style: p.style, units: maps.Clone(p.unitWords), always: p.unitAlways, missing: p.unitMissing,
		missUnit: p.missingUnit, kinds: maps.Clone(p.kinds), stables: maps.Clone(p.stability), ranges: maps.Clone(p.ranges), date: p.date, means: p.means}
	if src.missing && p.openTexts() {
		src.missing, src.missUnit = false, "" // a message of a word and a number would fit
	}
	w := &p.g.slots[p.weight]
	src.detached = !p.style.trailing && (w.detached || p.g.fixed)
	if src.scales = p.style.scales; len(src.scales) > 3 {
		src.scales = nil
	}
	if p.g.length > 0 && p.g.fixed && !p.openEnd() {
		src.length = p.g.length
		if check != nil && !check.after {
			src.length += check.width + check.suffix
		}
	}
	src.lines = []lineSource{{parts: p.template(check), notes: p.notes()}}
	if p.crowded {
		return nil
	}
	src.notes = p.reasons
	if check != nil {
		src.notes = append(src.notes, check.say())
	}
	return &solution{src: src, plans: []*plan{p}}
}

// openTexts says that the line has a text that may be anything, without a width.
func (p *plan) openTexts() bool {
	return !p.g.fixed && slices.ContainsFunc(p.roles, func(r role) bool { return r.textNo > 0 || r.field == "ignore" })
}

// notes say what each piece of the line is, and why.
func (p *plan) notes() (all []string) {
	last := len(p.g.lines) - 1
	for i := range p.g.slots {
		field := p.fieldAt(i)
		if field == "" {
			continue
		}
		why := p.roles[i].why
		switch {
		case i == p.weight:
			why = "the number that is the weight"
		case i == p.unit:
			why = "the unit of the weight"
		}
		all = append(all, fmt.Sprintf("{%s} %s, such as %q", p.written(i), why, p.g.text(&p.g.slots[i], last)))
	}
	return all
}

// controls says that the template holds a control character that begins or ends frames: the frames are cut in a wrong place.
func (s *solution) controls() bool {
	return slices.ContainsFunc(s.src.lines, func(l lineSource) bool {
		return slices.ContainsFunc(l.parts, func(x part) bool { return bytes.ContainsAny(x.text, "\x01\x02\x03\x04\r\n") })
	})
}

// apply writes the layout, parses it and reads the sample. It says whether any frame was read.
func (s *solution) apply(sample Sample) bool {
	if s.controls() {
		return false
	}
	s.src.doubts = s.doubts()
	s.text = s.src.yaml(firstCuts(s.src.framing), 0, len(s.src.framing.frames))
	lay, err := layout.Parse("learnt", s.text)
	if err != nil {
		debugf("%v\n%s", err, s.text)
		return false
	}
	s.lay, s.read, s.why, s.cuts = lay, map[int]reading{}, map[int]string{}, nil
	var r layout.Reading
	splitWith(lay.Splitter(), sample, func(fr frame.Frame) {
		n := len(s.cuts)
		if n >= MostFrames {
			return
		}
		s.cuts = append(s.cuts, copyFrame(fr))
		if err := lay.Apply(fr, &r); err != nil {
			s.why[n] = err.Error()
			return
		}
		kept := r
		s.read[n] = reading{digits: r.Digits(), short: short(&r), r: &kept}
	})
	s.text = s.src.yaml(firstCuts(s.src.framing), len(s.read), len(s.cuts))
	return len(s.read) > 0
}

// debugf tells tests of layouts that the learner wrote and package layout refused.
var debugf = func(string, ...any) {}

func firstCuts(f *framing) (some []cut) {
	for _, c := range f.good() {
		if len(some) < 4 {
			some = append(some, c)
		}
	}
	return some
}

// short is a reading for people.
func short(r *layout.Reading) string {
	out := r.Digits()
	if r.Range != layout.InRange {
		out = r.Range.String()
	}
	if u := r.UnitCode(); u != "" {
		out += " " + u
	} else if r.PrintedUnit() != "" {
		out += " " + r.PrintedUnit()
	}
	if r.Kind != layout.KindUnknown {
		out += " " + r.Kind.String()
	}
	if r.Stability != layout.StabilityUnknown {
		out += " " + r.Stability.String()
	}
	return out
}

func (s *solution) doubts() (all []Doubt) {
	for _, p := range s.plans {
		for _, d := range p.doubts {
			if !slices.Contains(all, d) {
				all = append(all, d)
			}
		}
	}
	return all
}

// better says that s explains more of the sample than o.
func (s *solution) better(o *solution) bool { return s.score() > o.score() }

// openBrackets says that a minus or a round bracket stands by itself in the layout, and that lines with a number and without
// it are left unread: it may be how this balance writes what is below zero.
func (s *solution) openBrackets() bool {
	for _, ln := range s.src.lines {
		for _, x := range ln.parts {
			if minusWords[strings.ToLower(strings.Trim(s.src.page.text(x.text), " ()[].:"))] {
				return true
			}
			for _, sign := range []string{"(", "-"} {
				if strings.Contains(string(x.text), sign) && len(x.text) <= 3 && s.unreadWithout(sign) {
					return true
				}
			}
		}
	}
	return false
}

// faults counts the frames that the framing itself could not use, but for the first.
func (s *solution) faults() (n int) {
	for i, c := range s.cuts {
		if c.fault != "" && i > 0 {
			n++
		}
	}
	return n
}

// grownUnit says that unread lines have another letter in place of the first one of the unit: the letter may be a mark, and
// "ug" the gram behind it.
func (s *solution) grownUnit() bool {
	ends := map[string]bool{}
	for _, got := range s.read {
		if u := got.r.PrintedUnit(); len(u) == 2 && unitLike(u[1:]) {
			ends[u[1:]] = true
		}
	}
	for n := range s.why {
		c := s.cuts[n]
		if c.fault != "" || len(ends) == 0 {
			continue
		}
		for _, t := range tokenize(c.body) {
			v := string(t.in(c.body))
			if t.kind == tokWord && len(v) == 2 && !unitLike(v) && ends[v[1:]] {
				return true
			}
		}
	}
	return false
}

// hexGrown says that unread lines have a letter from A to F grown onto a number with decimals, which others have not: its last
// digits may be a check.
func (s *solution) hexGrown() bool {
	n := 0
	for k := range s.why {
		c := s.cuts[k]
		toks := tokenize(c.body)
		for i := 1; i < len(toks) && c.fault == ""; i++ {
			v := string(toks[i].in(c.body))
			if toks[i-1].kind == tokNumber && decimalAt(toks[i-1].in(c.body)) > 0 && toks[i].kind == tokWord && toks[i].from == toks[i-1].to &&
				len(v) <= 2 && strings.Trim(v, "ABCDEFabcdef0123456789") == "" && !unitLike(v) {
				n++
			}
		}
	}
	return n >= 2
}

// unreadWithout says that a line with decimals or a unit and without the character is left unread.
func (s *solution) unreadWithout(sign string) bool {
	for n := range s.why {
		c := s.cuts[n]
		if c.fault != "" || bytes.Contains(c.body, []byte(sign)) {
			continue
		}
		toks := tokenize(c.body)
		number, unit := false, false
		for _, t := range toks {
			number = number || t.kind == tokNumber
			unit = unit || t.kind == tokNumber && decimalAt(t.in(c.body)) > 0 || t.kind != tokNumber && unitLike(s.src.page.text(t.in(c.body)))
		}
		if number && unit {
			return true
		}
	}
	return false
}

// contradicts says in what the layout's readings differ from the answers.
func (s *solution) contradicts(a *Answers) error {
	for _, d := range a.Display {
		want, _ := parseShown(d.Shows)
		if d.Line > 0 {
			got, ok := s.read[d.Line-1]
			if d.Line > len(s.cuts) {
				return fmt.Errorf("the display is said to have shown %q for line %d, and the sample has %d", d.Shows, d.Line, len(s.cuts))
			}
			if !ok || !want.same(got.r) {
				return fmt.Errorf("the display is said to have shown %q for line %d, and that line is %q: one of the two is another weighing", d.Shows, d.Line, s.src.page.harmless(s.cuts[d.Line-1].bytes))
			}
			continue
		}
		found := false
		for _, got := range s.read {
			found = found || want.same(got.r)
		}
		if !found {
			return fmt.Errorf("the display is said to have shown %q, and no line of the sample shows that", d.Shows)
		}
	}
	return nil
}

// report fills the result.
func (s *solution) report(r *Result, sample Sample) {
	for n, c := range s.cuts {
		f := Frame{Number: n + 1, Offset: c.offset, Bytes: c.bytes, Text: s.src.page.harmless(c.bytes), Opening: c.opening}
		if got, ok := s.read[n]; ok {
			f.Fits, f.Reads = true, got.short
		} else if f.Why = s.why[n]; f.Opening {
			f.Why = "it may be the rest of a line whose beginning was not heard: " + f.Why
		}
		r.Frames = append(r.Frames, f)
	}
	for _, p := range s.plans {
		r.Questions = append(r.Questions, p.questions...)
	}
	r.Candidates = append(r.Candidates, Candidate{Layout: s.text, Fits: len(s.read), Of: len(s.cuts), Confidence: s.confidence(),
		Pieces: s.pieces(), Doubts: s.doubts()})
	r.Candidates = append(r.Candidates, s.equals(sample)...)
	if o := s.other; o != nil {
		r.Candidates = append(r.Candidates, Candidate{Layout: o.text, Fits: len(o.read), Of: len(o.cuts), Confidence: o.confidence() / 2, Equal: true,
			Differs: s.differs, Pieces: make([][]Piece, len(r.Frames)), Doubts: o.doubts()})
	}
}

// equals are explanations that fit as well as the first and read a date as one day or another, where the first keeps it as
// printed.
func (s *solution) equals(sample Sample) (all []Candidate) {
	for _, p := range s.plans {
		for _, o := range p.dateFits {
			src := s.src.copy()
			src.date = o
			next := &solution{src: src, plans: s.plans}
			if !next.apply(sample) || len(next.read) != len(s.read) {
				continue
			}
			n := slices.Max(slices.Collect(maps.Keys(next.read)))
			all = append(all, Candidate{Layout: next.text, Fits: len(next.read), Of: len(next.cuts), Confidence: s.confidence() / 2, Equal: true,
				Differs: fmt.Sprintf("the date of frame %d is %s here", n+1, next.read[n].r.Date()), Pieces: s.pieces(), Doubts: s.doubts()})
		}
	}
	if len(all) > 0 {
		return all
	}
	return nil
}

// confidence is what the package doc says.
func (s *solution) confidence() float64 {
	n := len(s.read)
	enough := 0.6 + 0.4*float64(min(n, 10)-FewFrames)/float64(10-FewFrames)
	c := float64(n) / float64(max(1, len(s.cuts))) * max(0.3, enough)
	for _, d := range s.doubts() {
		if d.Key != "" {
			c *= 0.9
		}
	}
	if s.other != nil {
		c /= 2
	}
	return c
}

// pieces marks what each part of each frame is.
func (s *solution) pieces() [][]Piece {
	all := make([][]Piece, len(s.cuts))
	for _, p := range s.plans {
		for k, n := range p.g.index {
			if n < len(s.cuts) && all[n] == nil {
				all[n] = p.piecesOf(k, s.cuts[n])
			}
		}
	}
	for n := range s.read {
		if len(s.plans) == 1 && s.plans[0].g.fixed && n < len(all) && all[n] == nil {
			all[n] = s.plans[0].piecesByColumn(s.cuts[n])
		}
	}
	return all
}

// piecesByColumn marks a line that is read and did not take part in the grid: by the columns that its fields have.
func (p *plan) piecesByColumn(c cut) (all []Piece) {
	at := max(0, bytes.Index(c.bytes, c.body))
	for i, e := range p.extents() {
		a, b := min(e.a, len(c.body)), min(e.b, len(c.body))
		v := bytes.TrimLeft(c.body[a:b], " ")
		a = b - len(v)
		if v = bytes.TrimRight(v, " "); len(v) == 0 {
			continue
		}
		what := p.fieldAt(i)
		if what == "" {
			what = "text"
		}
		all = append(all, Piece{From: at + a, To: at + a + len(v), What: what, Value: p.g.page.text(v)})
	}
	return all
}

func (p *plan) piecesOf(k int, c cut) (all []Piece) {
	at := bytes.Index(c.bytes, p.g.lines[k])
	if at < 0 {
		return nil
	}
	for i := range p.g.slots {
		v := p.g.slots[i].vals[k]
		if v.empty() {
			continue
		}
		what := p.fieldAt(i)
		if what == "" {
			what = "text"
		}
		all = append(all, Piece{From: at + v.from, To: at + v.to, What: what, Value: p.g.text(&p.g.slots[i], k)})
	}
	return all
}
