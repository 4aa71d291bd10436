package visit

import (
	"fmt"
	"regexp"
	"strings"
	"unicode"

	"weighpost/gateway/console"
	"weighpost/gateway/setup"
	"weighpost/parsers/frame"
	"weighpost/parsers/learn"
)

const (
	mostLines  = 12
	mostPieces = 60
	mostOfLine = 400 // characters that are shown of one
	mostDoubts = 12
)

// harmless is a text without what moves a cursor or turns the direction of writing, and not too long.
func harmless(s string) string { return cut(s, mostOfText) }

func cut(s string, most int) string {
	var b strings.Builder
	n := 0
	for _, r := range strings.ToValidUTF8(s, "?") {
		if n++; n > most {
			b.WriteString("…")
			break
		}
		if r == '\n' || unicode.IsPrint(r) {
			b.WriteRune(r)
		} else {
			fmt.Fprintf(&b, "<%02x>", r)
		}
	}
	return b.String()
}

// options are the options of the command line that a sentence names.
var options = regexp.MustCompile(` ?\(--[^)]*\)`)

// forPage takes from a text what means something at a terminal only.
func forPage(s string) string {
	s = options.ReplaceAllString(s, "")
	s = strings.ReplaceAll(s, " Press Enter when it is enough.", "")
	s = strings.ReplaceAll(s, "\nEnter alone: not known.", "\nLeave it empty if you do not know.")
	s = strings.ReplaceAll(s, "or see whether weighpost settings finds the port's settings", "or go back and have the settings found")
	return harmless(s)
}

// sentence begins an error as a sentence begins, and ends it so.
func sentence(s string) string {
	if s == "" {
		return s
	}
	s = strings.ToUpper(s[:1]) + s[1:]
	if !strings.HasSuffix(s, ".") {
		s += "."
	}
	return s
}

// shownLines are the first lines, with their pieces side by side.
func shownLines(l setup.Lines) *console.VisitLines {
	s := &console.VisitLines{Learnt: l.Learnt, Fits: l.Fits, Of: l.Of, Lines: []console.VisitLine{}, Doubts: []string{}}
	for i, f := range l.Frames[:min(len(l.Frames), mostLines)] {
		line := console.VisitLine{Number: f.Number, Text: cut(f.Text, mostOfLine), Reads: cut(f.Reads, mostOfLine), Why: cut(f.Why, mostOfLine), Pieces: []console.VisitPiece{}}
		if i < len(l.Pieces) && len(l.Pieces[i]) <= mostPieces {
			line.Pieces = pieces(f, l.Pieces[i])
		}
		s.Lines = append(s.Lines, line)
	}
	for _, d := range l.Doubts[:min(len(l.Doubts), mostDoubts)] {
		s.Doubts = append(s.Doubts, harmless(d.Text))
	}
	return s
}

// pieces cuts a line where its pieces begin and end. What belongs to none, and what stands for itself, has no name.
func pieces(f learn.Frame, list []learn.Piece) []console.VisitPiece {
	names := make([]string, len(f.Bytes))
	starts := make([]bool, len(f.Bytes)+1)
	for _, p := range list {
		from, to := max(p.From, 0), min(p.To, len(names))
		if from >= to {
			continue
		}
		starts[from], starts[to] = true, true
		for i := from; i < to && p.What != "text"; i++ {
			names[i] = p.What
		}
	}
	out := []console.VisitPiece{}
	from := 0
	for i := 1; i <= len(names); i++ {
		if i == len(names) || starts[i] || names[i] != names[from] {
			out = append(out, console.VisitPiece{Text: cut(frame.Visible(f.Bytes[from:i]), mostOfLine), What: names[from]})
			from = i
		}
	}
	if len(out) > mostPieces {
		return []console.VisitPiece{}
	}
	return out
}
