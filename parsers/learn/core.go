package learn

import (
	"bytes"
	"maps"
	"slices"
)

// mostCore is how many lines a grid is built from: more say nothing new.
const mostCore = 300

// cores are choices of lines to explain, the smallest first: those of the most common shape, those of all shapes that come
// more than once, and all. What a small core leaves out is tried on its layout afterwards, and adopted where it fits.
func cores(lines [][]byte, toks [][]token, page codePage) (all [][]int) {
	counts := map[string]int{}
	signs := make([]string, len(lines))
	for i := range lines {
		signs[i] = signature(lines[i], toks[i], page)
		counts[signs[i]]++
	}
	top := ""
	for _, s := range sorted(counts) {
		if top == "" || counts[s] > counts[top] {
			top = s
		}
	}
	pick := func(keep func(s string) bool) {
		var core []int
		for i := range lines {
			if keep(signs[i]) && len(core) < mostCore {
				core = append(core, i)
			}
		}
		if len(core) >= 2 && !slices.ContainsFunc(all, func(o []int) bool { return slices.Equal(o, core) }) {
			all = append(all, core)
		}
	}
	pick(func(s string) bool { return s == top })
	pick(func(s string) bool { return counts[s] >= 2 && counts[s]*8 >= counts[top] })
	pick(func(s string) bool { return counts[s] >= 2 })
	pick(func(string) bool { return true })
	return all
}

// choose gives the lines of a core.
func choose[T any](all []T, core []int) []T {
	some := make([]T, len(core))
	for i, n := range core {
		some[i] = all[n]
	}
	return some
}

// score is how much a solution explains, less what it leaves vague.
func (s *solution) score() int {
	score, whole := 0, s.wholeOpening()
	for n := range s.read {
		if !s.cuts[n].opening || whole {
			score += 10
		}
	}
	score += 2*min(1, len(s.read)) - 20*s.messages
	for _, p := range s.plans {
		for i, r := range p.roles {
			if r.field == "ignore" && r.textNo > 0 {
				score -= 8
			}
			if r.field == "sample" && r.textNo > 0 && r.why != "by its label" {
				score -= 4
			}
			_ = i
		}
		for _, table := range []map[string]string{p.kinds, p.stability} {
			for _, m := range table {
				if m == "unknown" {
					score -= 3
				}
			}
		}
		for _, table := range []map[string]string{p.kinds, p.stability} {
			if len(table) > 1 && !slices.Contains(slices.Collect(maps.Values(table)), "unknown") {
				score += 4
			}
		}
		score -= 5 * max(0, len(p.style.scales)-1)
		score -= 6 * max(0, p.unknowns-1)
		if p.unitMissing {
			score -= 4
		}
		if p.g.fixed && p.g.length > 0 {
			score += 3
		}
		if p.g.fixed && p.chanceWidth() {
			score -= 7
		}
	}
	return score
}

// chanceWidth says that nothing but chance speaks for columns: all numbers are as long as one another and stand in one place,
// without zeros in front or a column for their sign, and no more than two blanks behind something else. A longer one may move
// all that is behind it.
func (p *plan) chanceWidth() bool {
	s := &p.g.slots[p.weight]
	if p.block || p.weight == 0 || s.a-p.g.slots[p.weight-1].b > 2 || s.detached || s.trailing || len(p.g.distinct(s)) < 2 {
		return false
	}
	for k, v := range s.vals {
		b := trimSigns(p.g.value(s, k))
		if v != (span{s.a, s.b}) || len(b) > 1 && b[0] == '0' && isDigit(b[1]) {
			return false
		}
	}
	return true
}

// wholeOpening says that the first frame is as long as nearly all others are: it is no rest of a line.
func (s *solution) wholeOpening() bool {
	var bodies [][]byte
	for _, c := range s.cuts {
		bodies = append(bodies, c.body)
	}
	n, share := commonLength(bodies)
	return share >= 0.8 && len(bodies[0]) == n
}

// adopt takes lines that the solution does not read into its grid, one after the other, where they change nothing but the
// width of a field or a known word: a longer number, a usual word for another kind, a unit.
func (s *solution) adopt(f *framing, lines [][]byte, index []int, toks [][]token, sample Sample, a *Answers, c *context) *solution {
	tried := map[string]bool{}
	for i, n := range index {
		if _, read := s.read[n]; read || len(tried) >= 16 || len(s.plans) != 1 || f.frames[n].opening && len(lines) > FewFrames {
			continue
		}
		shape := string(lines[i])
		if tried[shape] {
			continue
		}
		tried[shape] = true
		if next := s.with(f, i, lines, index, toks, sample, a, c); next != nil {
			s = next
		}
	}
	return s
}

// with is the solution of the same grid and one line more, or nil.
func (s *solution) with(f *framing, i int, lines [][]byte, index []int, toks [][]token, sample Sample, a *Answers, c *context) *solution {
	old := s.plans[0]
	core := append(slices.Clone(old.g.core), i)
	slices.Sort(core)
	g := buildGrid(old.g.fixed, core, lines, index, toks, old.g.page)
	if g == nil || len(g.core) != len(core) {
		return nil
	}
	g.suffix = old.g.suffix
	p, no := explainGrid(g, a, c)
	if no != nil || !p.like(old) {
		return nil
	}
	next := assemble(f, p, s.src.check, s.src.page)
	if next == nil || !next.apply(sample) || len(next.read) <= len(s.read) {
		return nil
	}
	return next
}

// like says that a plan differs from an older one in nothing but widths, known words and units.
func (p *plan) like(o *plan) bool {
	if len(p.roles) != len(o.roles) || p.weight != o.weight || p.unit != o.unit || p.g.length != o.g.length || p.unitMissing != o.unitMissing {
		return false
	}
	for i := range p.roles {
		if p.roles[i].field != o.roles[i].field || p.roles[i].field == "" && !bytes.Equal(p.constant(i), o.constant(i)) && i != p.weight {
			return false
		}
	}
	a, b := p.style, o.style
	if a.decimal != b.decimal || a.group != b.group || a.trailing != b.trailing || a.open != b.open {
		return false
	}
	for _, n := range a.scales {
		if !slices.Contains(b.scales, n) {
			return false
		}
	}
	for _, pair := range [][2]map[string]string{{p.kinds, o.kinds}, {p.stability, o.stability}, {p.ranges, o.ranges}} {
		for w, m := range pair[0] {
			if before, was := pair[1][w]; was && before != m || !was && m == "unknown" && (w != "" || len(pair[1]) == 0) {
				return false
			}
		}
	}
	return maps.Equal(p.unitWords, o.unitWords) || len(p.unitWords) > len(o.unitWords)
}

// buildGrid lays the lines of a core beside each other.
func buildGrid(fixed bool, core []int, lines [][]byte, index []int, toks [][]token, page codePage) *grid {
	var g *grid
	if fixed {
		g = columnGrid(choose(lines, core), choose(index, core), choose(toks, core), page)
	} else {
		g = tokenGrid(choose(lines, core), choose(index, core), choose(toks, core), page)
	}
	if g == nil || len(g.lines) < 2 || len(g.slots) == 0 {
		return nil
	}
	for _, n := range g.index {
		g.core = append(g.core, slices.Index(index, n))
	}
	return g
}
