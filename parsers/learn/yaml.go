package learn

import (
	"fmt"
	"strings"
	"unicode"

	"weighpost/parsers/strict"
)

// source is a layout as the learner knows it, before it is written.
type source struct {
	framing  *framing
	page     codePage
	check    *checkFound
	lines    []lineSource
	block    bool
	length   int
	style    style
	detached bool
	scales   []int
	over     []string
	under    []string
	units    map[string]string
	always   string
	missing  bool
	missUnit string
	kinds    map[string]string
	stables  map[string]string
	ranges   map[string]string
	date     dateOrder
	means    meaningPair
	notes    []string
	doubts   []Doubt
}

// lineSource is one template.
type lineSource struct {
	parts    []part
	optional bool
	means    meaningPair
	notes    []string // what each piece is, for the comment
}

// comment writes a text as comment lines that fit on a screen of 80 columns.
func comment(out *strings.Builder, text string) {
	for lead := "# "; ; lead = "#   " {
		r := []rune(text)
		at := -1
		if room := 80 - len(lead); len(r) > room {
			for at = room; at > 0 && r[at] != ' '; at-- {
			}
		}
		if at <= 0 {
			fmt.Fprintf(out, "%s%s\n", lead, text)
			return
		}
		fmt.Fprintf(out, "%s%s\n", lead, strings.TrimRight(string(r[:at]), " "))
		text = strings.TrimLeft(string(r[at:]), " ")
	}
}

// yaml writes the layout with its comments.
func (s *source) yaml(samples []cut, fits, of int) []byte {
	var out strings.Builder
	fmt.Fprintf(&out, "# Learnt from %d frames of a sample, of which it reads %d. Lines of the sample:\n#\n", of, fits)
	for _, c := range samples {
		fmt.Fprintf(&out, "#   %s\n", cutText(s.page.harmless(c.bytes)))
	}
	out.WriteString("#\n")
	for _, ln := range s.lines {
		for _, n := range ln.notes {
			comment(&out, n)
		}
	}
	for _, n := range s.notes {
		comment(&out, n)
	}
	for _, d := range s.doubts {
		comment(&out, "Doubt: "+printable(d.Text)+".")
	}
	fmt.Fprintf(&out, "about: %s\n", strict.Quote(fmt.Sprintf("Learnt from %d frames; write balance, place and settings here", of)))
	if s.page.name != "utf-8" {
		fmt.Fprintf(&out, "code_page: %s\n", s.page.name)
	}
	s.writeFrame(&out)
	s.writeLines(&out)
	s.writeTables(&out)
	return []byte(out.String())
}

// cutText keeps a comment to one line of the file.
func cutText(s string) string {
	if r := []rune(s); len(r) > 110 {
		return string(r[:110]) + "…"
	}
	return s
}

// printable keeps control characters out of a comment.
func printable(s string) string {
	return strings.Map(func(c rune) rune {
		if !unicode.IsPrint(c) {
			return '·'
		}
		return c
	}, s)
}

func (s *source) writeFrame(out *strings.Builder) {
	f := s.framing
	out.WriteString("frame:\n")
	if len(f.ends) > 0 {
		fmt.Fprintf(out, "  ends: [%s]\n", quoteAll(f.ends))
	}
	if f.start != "" {
		fmt.Fprintf(out, "  start: %s\n", strict.Quote(f.start))
	}
	if f.end != "" {
		fmt.Fprintf(out, "  end: %s\n", strict.Quote(f.end))
	}
	if f.length > 0 {
		fmt.Fprintf(out, "  length: %d\n", f.length)
	}
	if f.gap {
		fmt.Fprintf(out, "  idle_gap: %s\n", idleGap)
	}
	if !f.isBlock() {
		return
	}
	out.WriteString("  block:\n")
	if len(f.first) > 0 {
		fmt.Fprintf(out, "    first: [%s]\n", s.quotePage(f.first))
	}
	if len(f.last) > 0 {
		fmt.Fprintf(out, "    last: [%s]\n", s.quotePage(f.last))
	}
	if f.blankLines > 0 {
		fmt.Fprintf(out, "    blank_lines: %d\n", f.blankLines)
	}
}

func quoteAll(texts []string) string {
	var all []string
	for _, t := range texts {
		all = append(all, strict.Quote(t))
	}
	return strings.Join(all, ", ")
}

func (s *source) quotePage(texts []string) string {
	var all []string
	for _, t := range texts {
		all = append(all, strict.Quote(s.page.text([]byte(t))))
	}
	return strings.Join(all, ", ")
}

func (s *source) writeLines(out *strings.Builder) {
	if s.length > 0 {
		fmt.Fprintf(out, "line_length: %d\n", s.length)
	}
	if len(s.lines) == 1 && !s.block && s.lines[0].means == (meaningPair{}) {
		fmt.Fprintf(out, "line: %s\n", strict.Quote(write(s.lines[0].parts, s.page)))
		writeMeans(out, "", s.means)
		return
	}
	out.WriteString(map[bool]string{true: "block:\n", false: "lines:\n"}[s.block])
	for _, ln := range s.lines {
		fmt.Fprintf(out, "  - line: %s\n", strict.Quote(write(ln.parts, s.page)))
		if ln.optional {
			out.WriteString("    optional: true\n")
		}
		writeMeans(out, "    ", ln.means)
	}
	writeMeans(out, "", s.means)
}

func writeMeans(out *strings.Builder, indent string, m meaningPair) {
	var all []string
	if m.kind != "" {
		all = append(all, "kind: "+m.kind)
	}
	if m.stability != "" {
		all = append(all, "stability: "+m.stability)
	}
	if len(all) > 0 {
		fmt.Fprintf(out, "%smeans: {%s}\n", indent, strings.Join(all, ", "))
	}
}

func (s *source) writeTables(out *strings.Builder) {
	for _, t := range []struct {
		name  string
		table map[string]string
	}{{"stability", s.stables}, {"kind", s.kinds}, {"range", s.ranges}} {
		if len(t.table) > 0 {
			fmt.Fprintf(out, "%s: {%s}\n", t.name, pairs(t.table))
		}
	}
	s.writeWeight(out)
	s.writeUnit(out)
	if s.date.order != "" {
		fmt.Fprintf(out, "date:\n  order: %s\n", strict.Quote(s.date.order))
		if s.date.century > 0 {
			fmt.Fprintf(out, "  century: %d\n", s.date.century)
		}
		if len(s.date.months) > 0 {
			fmt.Fprintf(out, "  months: [%s]\n", quoteAll(s.date.months))
		}
	}
	if c := s.check; c != nil {
		fmt.Fprintf(out, "check:\n  sum: %s\n  written: %s\n", c.kind, c.written)
		for _, k := range []struct {
			key string
			on  bool
		}{{"first: low", c.low}, {"covers_start: true", c.coversStart}, {"covers_end: true", c.coversEnd}, {"after_end: true", c.after}} {
			if k.on {
				fmt.Fprintf(out, "  %s\n", k.key)
			}
		}
	}
}

func (s *source) writeWeight(out *strings.Builder) {
	var lines []string
	add := func(format string, args ...any) { lines = append(lines, fmt.Sprintf("  "+format+"\n", args...)) }
	if s.style.decimal == ',' {
		add("decimal: comma")
	}
	if len(s.scales) > 0 {
		add("decimals: [%s]", strings.Trim(strings.Join(strings.Fields(fmt.Sprint(s.scales)), ", "), "[]"))
	}
	if s.style.group != 0 {
		add("grouping: %s", groupNames[s.style.group])
	}
	switch {
	case s.style.trailing:
		add("sign: trailing")
	case s.detached:
		add("sign: detached")
	}
	if s.style.open != 0 {
		add("brackets: %s", bracketNames[s.style.open])
	}
	if len(s.over) > 0 {
		add("over: [%s]", quoteAll(s.over))
	}
	if len(s.under) > 0 {
		add("under: [%s]", quoteAll(s.under))
	}
	if len(lines) > 0 {
		out.WriteString("weight:\n" + strings.Join(lines, ""))
	}
}

func (s *source) writeUnit(out *strings.Builder) {
	if s.always == "" && len(s.units) == 0 && !s.missing {
		return
	}
	out.WriteString("unit:\n")
	if len(s.units) > 0 {
		fmt.Fprintf(out, "  words: {%s}\n", pairs(s.units))
	}
	if s.always != "" {
		fmt.Fprintf(out, "  always: %s\n", strict.Quote(s.always))
	}
	if s.missing {
		out.WriteString("  missing: unstable\n")
	}
	if s.missUnit != "" {
		fmt.Fprintf(out, "  missing_unit: %s\n", strict.Quote(s.missUnit))
	}
}

// pairs writes a table on one line.
func pairs(table map[string]string) string {
	var all []string
	for _, k := range sorted(table) {
		all = append(all, strict.Quote(k)+": "+strict.Quote(table[k]))
	}
	return strings.Join(all, ", ")
}
