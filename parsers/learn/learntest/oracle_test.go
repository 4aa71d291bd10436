package learntest

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"weighpost/parsers/layout"
)

// TestTheTruthIsWhatALayoutReads is the check of the generator itself: for each balance that prints single lines, a layout
// written from its design (as a person with its manual would) reads every print as the truth, except where two of the
// balance's own choices leave a layout no way, which must stay rare.
func TestTheTruthIsWhatALayoutReads(t *testing.T) {
	t.Parallel()
	tried, without, balances := 0, 0, uint64(1000)
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		balances = 2000
	}
	for seed := range balances {
		g := newDesign(seed)
		if g.cannot != "" || g.class == "two numbers" || g.check != nil && g.check.own != nil {
			continue
		}
		tried++
		src := oracle(g)
		l, err := layout.Parse("oracle.yaml", []byte(src))
		if err != nil {
			without++
			t.Logf("seed %d, %s: no layout: %v", seed, g.class, err)
			continue
		}
		b := New(seed, Options{})
		out := b.Score(l, 0)
		for _, list := range [][]Finding{out.Wrong, out.WrongFields, out.Missing} {
			if len(list) > 0 {
				f := list[0]
				t.Errorf("seed %d, %s %v: frame %d %q: %s\n%s", seed, g.class, g.describe(), f.Frame, b.Frames[max(0, f.Frame)].Bytes, f.What, src)
			}
		}
	}
	t.Logf("%d balances, %d of them without a layout", tried, without)
	if without*200 > tried {
		t.Errorf("%d of %d balances have no layout: the generator promises what layouts cannot say", without, tried)
	}
}

// oracle writes the layout of a design.
func oracle(g *design) string {
	var y strings.Builder
	add := func(format string, args ...any) { fmt.Fprintf(&y, format+"\n", args...) }
	add("code_page: %s", g.page)
	line := ""
	if g.block != nil {
		line = oracleBlock(g, add)
	} else {
		oracleFrame(g, add)
		line = oracleLine(g)
	}
	if g.block == nil && g.beyond.whole && !(g.check != nil && g.check.skip > 0) {
		only := "{range}"
		if g.check != nil && !g.check.after {
			only = oracleCheck(g, only)
		}
		add("lines:\n  - line: %q\n  - line: %q\nrange: {%q: over, %q: under}", line, only, g.beyond.over, g.beyond.under)
	} else if g.block == nil {
		add("line: %q", line)
	}
	oracleWeight(g, add)
	oracleUnit(g, add)
	if strings.Contains(line, "{stability") {
		table := g.status
		if table == nil {
			table = map[string]string{g.rests.rests: "stable", g.rests.moves: "unstable"}
		}
		add("stability: {%s}", words(table))
	}
	if strings.Contains(line, "{kind") {
		table := map[string]string{g.words.net: "net", g.words.tare: "tare", g.words.preset: "preset tare"}
		delete(table, "")
		table[g.words.gross] = "gross"
		add("kind: {%s}", words(table))
	}
	if strings.Contains(line, "{date") && !g.dates.short && g.dates.months == nil {
		names := map[rune]string{'d': "day", 'm': "month", 'y': "year"}
		var order []string
		for _, c := range g.dates.order {
			order = append(order, names[c])
		}
		add("date: {order: %q}", strings.Join(order, g.dates.sep))
	}
	return y.String()
}

func words(table map[string]string) string {
	var out []string
	for text, meaning := range table {
		out = append(out, fmt.Sprintf("%q: %s", text, meaning))
	}
	return strings.Join(out, ", ")
}

func oracleFrame(g *design, add func(string, ...any)) {
	w := g.wrap
	switch {
	case w.fixed:
		add("frame: {length: %d, idle_gap: 50ms}", lineBytes(g))
	case w.start != "" && w.end == "" && w.terms[0] == "":
		add("frame: {start: %q, length: %d}", w.start, 1+lineBytes(g))
	case w.end != "":
		add("frame: {start: %q, end: %q}", w.start, w.end)
	default:
		var ends []string
		for _, t := range w.terms {
			ends = append(ends, fmt.Sprintf("%q", t))
		}
		start := ""
		if w.start != "" {
			start = fmt.Sprintf("start: %q, ", w.start)
		}
		add("frame: {%sends: [%s]}", start, strings.Join(ends, ", "))
	}
	if c := g.check; c != nil {
		written := map[string]string{"raw": "raw", "decimal": "decimal"}[c.form]
		if written == "" {
			written = "hex"
		}
		first := map[bool]string{true: "low", false: "high"}[c.low]
		add("check: {sum: %s, written: %s, first: %s, covers_start: %v, covers_end: %v, after_end: %v}", c.kind, written, first,
			c.coversStart, c.coversEnd, c.after)
	}
}

// lineBytes is how long the lines of a balance without ends are: all of them are as long.
func lineBytes(g *design) int {
	var f Frame
	return len(g.encoded(g.text(g.line, &moment{value: amount{scale: g.modes[0].scale}, channel: 1}, &f)))
}

func literal(s string) string {
	return strings.NewReplacer("{", "{{", "}", "}}").Replace(s)
}

// oracleLine writes the template. Blanks at the end of a line are not printed where the balance trims them: what comes last
// has no width then.
func oracleLine(g *design) string {
	tail := len(g.line)
	for g.trim && tail > 0 {
		tail--
		if g.line[tail].put == nil {
			tail++
			break
		}
		if p := g.line[tail]; p.put != nil && !(p.field == "unit" && g.unit.whenStable) && !(p.field == "stability" && g.rests.rests == "") &&
			!(p.field == "stability" && g.rests.moves == "") {
			break
		}
	}
	line, open, wide := "", false, g.page == "utf-8" && beyondASCII(g.rests.moves, g.rests.rests, g.words.net, g.words.gross, g.words.tare)
	for i, p := range g.line {
		before := literal(p.before)
		if p.put == nil {
			line += before
			continue
		}
		width := partBytes(g, p)
		blankBefore := strings.HasSuffix(before, " ") || before == "" && i > 0 && g.line[i-1].put != nil
		words := p.field == "stability" || p.field == "kind"
		switch {
		case i >= tail && !(p.field == "weight" && !g.number.left && !g.number.coarse && g.number.sign < minusBehind),
			wide && (words || blankBefore), // what a width before it would count
			i > 0 && g.line[i-1].field == "unit" && g.unit.whenStable && g.unit.width == 0,
			i > 0 && g.line[i-1].field == "kind" && g.words.gross == "" && g.line[i-1].width == 0:
			width = 0
		}
		open = open || p.field == "weight" && width == 0
		if width == 0 && before == "" && i > 0 && (blankBefore && p.field == "weight" && g.number.width > 0 ||
			p.field == "unit" && (open && g.number.sign == minusBehind || g.unit.right && g.unit.width > widest(g.modes[0].symbol))) {
			before = " "
		}
		line += before + "{" + p.field
		if width > 0 {
			line += fmt.Sprintf(" %d", width)
		}
		line += "}"
	}
	return oracleCheck(g, line)
}

func beyondASCII(words ...string) bool {
	return strings.ContainsFunc(strings.Join(words, ""), func(c rune) bool { return c > 0x7F })
}

// partBytes is the width that a person would count for a part, or 0 where it varies.
func partBytes(g *design, p part) int {
	same := func(a, b string) bool { return len([]rune(a)) == len([]rune(b)) }
	switch {
	case p.field == "weight":
		return g.number.width
	case p.field == "unit" && g.unit.width > 0:
		return g.unit.width + len(g.encoded(g.modes[0].symbol)) - len([]rune(g.modes[0].symbol))
	case p.field == "unit" && !g.unit.whenStable && len(g.modes) == 1:
		return len(g.encoded(g.modes[0].symbol))
	case p.field == "stability" && (g.padMarks || same(g.rests.rests, g.rests.moves)):
		return widest(g.rests.rests, g.rests.moves)
	case p.field == "date":
		return len(g.dates.date(firstDay(newDice(1, 1))))
	case p.field == "time":
		return len(firstDay(newDice(1, 1)).Format(g.dates.clock))
	}
	return p.width
}

// oracleCheck adds the check and what it covers to a template.
func oracleCheck(g *design, line string) string {
	c := g.check
	if c == nil || c.after {
		return line
	}
	if c.skip > 0 {
		line = line[:c.skip] + "{from}" + line[c.skip:]
	}
	if c.coversSep {
		return line + literal(c.sep) + "{to}{check}"
	}
	return line + "{to}" + literal(c.sep) + "{check}"
}

func oracleWeight(g *design, add func(string, ...any)) {
	n := g.number
	keys := []string{"sign: " + [...]string{"attached", "attached", "detached", "detached", "trailing", "trailing"}[n.sign]}
	if n.comma {
		keys = append(keys, "decimal: comma")
	}
	if n.group != "" {
		keys = append(keys, "grouping: "+map[string]string{" ": "space", "'": "apostrophe", ".": "point", ",": "comma"}[n.group])
	}
	if n.aux > 0 {
		keys = append(keys, "brackets: "+map[string]string{"[": "square", "(": "round", "<": "angle"}[n.open])
	}
	if !g.beyond.whole {
		keys = append(keys, fmt.Sprintf("over: [%q]", g.beyond.over), fmt.Sprintf("under: [%q]", g.beyond.under))
	}
	add("weight: {%s}", strings.Join(keys, ", "))
}

func oracleUnit(g *design, add func(string, ...any)) {
	switch {
	case g.unit.never:
		add("unit: {always: %q}", g.modes[0].key)
	case g.unit.whenStable:
		add("unit: {missing: unstable, missing_unit: %q}", g.modes[0].key)
	case g.needs != 0 || g.modes[0].symbol == "oz t":
		add("unit: {words: {%q: %q}}", g.modes[0].symbol, g.modes[0].key)
	}
}

// oracleBlock writes the frame and the lines of a print block, and gives all templates together.
func oracleBlock(g *design, add func(string, ...any)) (all string) {
	const optional = "\x00" // behind the template of a line that may be missing
	var prefixes, templates []string
	for _, l := range g.block {
		template := ""
		for _, p := range l.parts {
			template += literal(p.before)
			if p.put != nil {
				width := ""
				if n := partBytes(g, p); n > 0 && (p.field == "weight" || p.field == "date") {
					width = fmt.Sprintf(" %d", n)
				}
				template += "{" + p.field + width + "}"
			}
		}
		if template == "" {
			continue
		}
		prefixes = append(prefixes, l.parts[0].before)
		if l.optional != nil {
			template += optional
		}
		templates = append(templates, template)
	}
	first, last := "", fmt.Sprintf("last: [%q]", prefixes[len(prefixes)-1])
	if g.block[0].optional == nil {
		first = fmt.Sprintf("first: [%q], ", prefixes[0])
	}
	add("frame: {ends: [%q], block: {%s%s}}", g.wrap.terms[0], first, last)
	add("block:")
	for _, t := range templates {
		template, may := strings.CutSuffix(t, optional)
		all += template
		if may {
			add("  - {line: %q, optional: true}", template)
		} else if strings.Contains(template, "{weight") && g.kinds != nil {
			add("  - {line: %q, means: {kind: net}}", template)
		} else {
			add("  - {line: %q}", template)
		}
	}
	return all
}
