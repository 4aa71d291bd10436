package main

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"weighpost/parsers/frame"
	"weighpost/parsers/learn"
)

// Widths of what is shown to a person.
const (
	screenWidth = 80
	tableIndent = 7 // before the bytes of a line
	mostShown   = 12
)

// pieceMarks is the letter below the bytes of each kind of piece. What is not here has a question mark.
var pieceMarks = []struct {
	what string
	mark byte
	says string
}{
	{"weight", 'w', "weight"}, {"unit", 'u', "unit"}, {"stability", 's', "stability"}, {"kind", 'k', "kind"}, {"range", 'r', "range"},
	{"range_number", '#', "number of the range"}, {"count", 'c', "count"}, {"person", 'p', "person"}, {"sample", 'i', "sample"},
	{"balance", 'b', "balance"}, {"date", 'd', "date"}, {"time", 't', "time"}, {"check", 'x', "check"}, {"ignore", '~', "ignored"},
	{"text", '=', "always the same"}, {"start", '<', "start"}, {"end", '>', "end"}, {"unread", '?', "unread"},
}

func markOf(what string) byte {
	for _, m := range pieceMarks {
		if m.what == what {
			return m.mark
		}
	}
	return '?'
}

// forPeople is what was learnt, in plain lines.
func (r *learnReport) forPeople() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s, %s.\n", count(len(r.Frames), "line"), count(len(r.Sample.Bytes), "byte"))
	if r.Damaged > 0 {
		b.WriteString(wrapped(fmt.Sprintf("%s came damaged (parity or framing errors), and %s left out: see that the settings of "+
			"the port are those of the balance.", count(r.Damaged, "character"), countIs(r.Captured.LeftOut, "line")), ""))
	}
	if r.Result.LeftOut != "" {
		b.WriteString(wrapped(r.Result.LeftOut, ""))
	}
	b.WriteString("\n")
	b.WriteString(sampleTable(r.Result))
	if len(r.Candidates) > 0 {
		r.best(&b)
		r.others(&b)
	}
	if !r.taken && len(r.Open) > 0 {
		b.WriteString("\nOpen questions, by the key for --hint:\n")
		for _, q := range r.Open {
			b.WriteString(questionText(q))
		}
	}
	if r.taken {
		r.use(&b)
	}
	return b.String()
}

// best tells of the first candidate.
func (r *learnReport) best(b *strings.Builder) {
	c := r.Candidates[0]
	fmt.Fprintf(b, "\nThe layout reads %d of %s. Confidence %.2f of 1.\n", c.Fits, count(c.Of, "line"), c.Confidence)
	if len(c.Doubts) > 0 {
		b.WriteString("\nDoubts:\n")
		for _, d := range c.Doubts {
			b.WriteString(wrapped(d.Text, "- "))
		}
	}
	if r.command.Out == "" {
		fmt.Fprintf(b, "\nThe layout:\n\n%s", safeLines(string(c.Layout)))
	}
}

// others tells of explanations that fit as well as the first.
func (r *learnReport) others(b *strings.Builder) {
	for _, c := range r.Candidates[1:] {
		if c.Equal {
			b.WriteString("\n" + wrapped(fmt.Sprintf("Another explanation fits as well (%d of %s): %s.",
				c.Fits, count(c.Of, "line"), strings.TrimSuffix(c.Differs, ".")), ""))
			fmt.Fprintf(b, "\n%s", safeLines(uncommented(string(c.Layout))))
		}
	}
}

// uncommented leaves out the lines that are a comment: the first explanation has them.
func uncommented(text string) string {
	var b strings.Builder
	for line := range strings.Lines(text) {
		if !strings.HasPrefix(line, "#") {
			b.WriteString(line)
		}
	}
	return b.String()
}

// use says what to do with the layout.
func (r *learnReport) use(b *strings.Builder) {
	if out := r.command.Out; out != "" && out != "-" {
		fmt.Fprintf(b, "\nThe layout was written to %s. Try it on further lines:\n\n  weighpost read --layout %s FILE\n", shown(out), shown(out))
	}
	b.WriteString("\nFor the configuration")
	if !isPort(r.command.Source) {
		b.WriteString(" (the id and the port are examples)")
	} else {
		b.WriteString(" (the id is an example)")
	}
	fmt.Fprintf(b, ":\n\n%s", safeLines(r.block()))
}

func questionText(q learn.Question) string {
	text := wrapped(q.Text, "  ")
	for _, c := range q.Choices {
		text += wrapped(c.Value+": "+c.Text, "    ")
	}
	return "- " + shown(q.Key) + "\n" + text
}

// sampleTable shows the lines of the sample with each piece marked: first some that fit, then those that do not.
func sampleTable(r *learn.Result) string {
	var b strings.Builder
	used := map[byte]bool{}
	shownFits, shownOthers, seen := 0, 0, map[string]int{}
	for i, f := range r.Frames {
		var pieces []learn.Piece
		if len(r.Candidates) > 0 && i < len(r.Candidates[0].Pieces) {
			pieces = r.Candidates[0].Pieces[i]
		}
		marks := marksOf(f, pieces)
		switch {
		case f.Fits && (shownFits >= mostShown || seen[marks] >= 3 || shownFits >= 3 && strings.TrimSpace(marks) == ""):
			continue
		case !f.Fits && shownOthers >= mostShown:
			continue
		case f.Fits:
			shownFits++
			seen[marks]++
		default:
			shownOthers++
		}
		for _, p := range pieces {
			used[markOf(p.What)] = true
		}
		frameRows(&b, f, marks, len(r.Candidates) > 0)
	}
	if left := len(r.Frames) - shownFits - shownOthers; left > 0 {
		fmt.Fprintf(&b, "\n%s not shown.\n", countIs(left, "more line"))
	}
	return b.String() + legend(used)
}

// marksOf gives the mark of each byte of a frame.
func marksOf(f learn.Frame, pieces []learn.Piece) string {
	marks := []byte(strings.Repeat(" ", len(f.Bytes)))
	for _, p := range pieces {
		for i := max(p.From, 0); i < min(p.To, len(marks)); i++ {
			marks[i] = markOf(p.What)
		}
	}
	return string(marks)
}

// frameRows shows one frame: its bytes, the marks below them, and what it reads as. Long frames go on in further rows, and
// each line of a print block has its own. explained: there is a layout that it could fit.
func frameRows(b *strings.Builder, f learn.Frame, marks string, explained bool) {
	head := fmt.Sprintf("%5d  ", f.Number)
	var text, below strings.Builder
	row := func() {
		if text.Len() == 0 {
			return
		}
		fmt.Fprintf(b, "%s%s\n", head, text.String())
		if m := strings.TrimRight(below.String(), " "); m != "" {
			fmt.Fprintf(b, "%s%s\n", strings.Repeat(" ", tableIndent), m)
		}
		head = strings.Repeat(" ", tableIndent)
		text.Reset()
		below.Reset()
	}
	for i, c := range f.Bytes {
		shows := frame.Visible([]byte{c})
		if text.Len()+len(shows) > screenWidth-tableIndent {
			row()
		}
		text.WriteString(shows)
		below.WriteString(strings.Repeat(marks[i:i+1], len(shows)))
		if c == '\n' && i+1 < len(f.Bytes) {
			row()
		}
	}
	row()
	switch {
	case f.Fits && f.Reads != "":
		b.WriteString(wrapped(f.Reads, strings.Repeat(" ", tableIndent)+"reads "))
	case !f.Fits && f.Why != "" && explained:
		b.WriteString(wrapped(f.Why, strings.Repeat(" ", tableIndent)+"does not fit: "))
	}
}

// legend names the marks that were used.
func legend(used map[byte]bool) string {
	var parts []string
	for _, m := range pieceMarks {
		if used[m.mark] {
			parts = append(parts, fmt.Sprintf("%c %s", m.mark, m.says))
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return "\n" + wrapped(strings.Join(parts, ", "), "Marks: ")
}

// wrapped breaks a text at blanks so that it fits on a screen. Further lines are indented as far as the lead is long.
func wrapped(text, lead string) string {
	var b strings.Builder
	width, line := screenWidth-1, lead
	indent := strings.Repeat(" ", min(utf8.RuneCountInString(lead), tableIndent))
	empty := true
	for word := range strings.FieldsSeq(shown(strings.ReplaceAll(text, "\n", " "))) {
		if !empty && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > width {
			b.WriteString(line + "\n")
			line, empty = indent, true
		}
		if !empty {
			line += " "
		}
		line, empty = line+word, false
	}
	return b.String() + line + "\n"
}

// safeLines makes each line of a text harmless to the terminal.
func safeLines(text string) string {
	var b strings.Builder
	for line := range strings.Lines(text) {
		b.WriteString(shown(strings.TrimSuffix(line, "\n")) + "\n")
	}
	return b.String()
}
