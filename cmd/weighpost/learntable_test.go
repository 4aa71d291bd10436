package main

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"unicode"

	"weighpost/gateway/setup"
	"weighpost/parsers/learn"
)

// hostile is a frame of every byte value, two of them as the pieces of a reading.
func hostile(n int) learn.Frame {
	b := make([]byte, 256)
	for i := range b {
		b[i] = byte(i)
	}
	return learn.Frame{Number: n, Bytes: b, Text: "\x1b[2J", Why: "not this \x1b]0;x\x07 line \u202eback", Fits: n%2 == 0, Reads: "1.0 g \x1b[31m"}
}

// TestWhatIsLearntSteersNoTerminal shows bytes of every kind: nothing but printable characters comes out, 80 columns wide.
func TestWhatIsLearntSteersNoTerminal(t *testing.T) {
	r := &learn.Result{LeftOut: "some \x1b[2J was left out", Why: "\x1b[2J"}
	for i := range 40 {
		r.Frames = append(r.Frames, hostile(i+1))
	}
	c := learn.Candidate{Layout: []byte("line: \"{weight} \x1b[2J\"\n"), Doubts: []learn.Doubt{{Key: "word:\x1b", Text: "\x1b[2J " + strings.Repeat("long ", 60)}}, Equal: true, Differs: "\x9b2J"}
	for range r.Frames {
		c.Pieces = append(c.Pieces, []learn.Piece{{From: 48, To: 58, What: "weight"}, {From: 60, To: 400, What: "\x1b"}, {From: -3, To: 2, What: "start"}})
	}
	r.Candidates = []learn.Candidate{c, c}
	q := []learn.Question{{Key: "word:\x1b", Text: "\x1b[2J", Choices: []learn.Choice{{Value: "\x07", Text: "\u202e"}}}}
	for _, taken := range []bool{true, false} {
		report := &learnReport{Captured: &setup.Captured{Damaged: 3, LeftOut: 1}, Learnt: &setup.Learnt{Result: r, Open: q}, taken: taken, command: learnCommand{Source: "x"}}
		text := report.forPeople()
		for line := range strings.Lines(text) {
			line = strings.TrimSuffix(line, "\n")
			if strings.ContainsFunc(line, func(r rune) bool { return !unicode.IsPrint(r) }) {
				t.Errorf("steers the terminal: %q", line)
			}
			if len([]rune(line)) > screenWidth {
				t.Errorf("is wider than %d columns: %q", screenWidth, line)
			}
		}
		var b strings.Builder
		if err := printObject(&b, report.forPrograms()); err != nil || !json.Valid([]byte(b.String())) || strings.Count(b.String(), "\n") != 1 ||
			strings.ContainsFunc(strings.TrimSuffix(b.String(), "\n"), func(r rune) bool { return !unicode.IsPrint(r) }) {
			t.Errorf("as JSON: %v, %q", err, b.String())
		}
	}
}

// TestMarksStandBelowTheirBytes also where a byte is shown as several characters, and where the line goes on.
func TestMarksStandBelowTheirBytes(t *testing.T) {
	var b strings.Builder
	f := learn.Frame{Number: 3, Bytes: []byte("\x02+1.50 \xb5g\r\nlot 7\r\n"), Fits: true, Reads: "1.50 ug"}
	marks := marksOf(f, []learn.Piece{{From: 0, To: 1, What: "start"}, {From: 1, To: 6, What: "weight"}, {From: 7, To: 9, What: "unit"}, {From: 15, To: 16, What: "sample"}})
	frameRows(&b, f, marks, true)
	want := "    3  <STX>+1.50 <b5>g<CR><LF>\n" +
		"       <<<<<wwwww uuuuu\n" +
		"       lot 7<CR><LF>\n" +
		"           i\n" +
		"       reads 1.50 ug\n"
	if b.String() != want {
		t.Errorf("got\n%swant\n%s", b.String(), want)
	}
	b.Reset()
	frameRows(&b, learn.Frame{Number: 1, Bytes: []byte(strings.Repeat("0123456789", 20))}, strings.Repeat("w", 200), false)
	for i, line := range strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n") {
		if len(line) > screenWidth {
			t.Errorf("row %d is %d wide", i, len(line))
		}
	}
	if n := strings.Count(b.String(), "w"); n != 200 {
		t.Errorf("%d of 200 bytes are marked", n)
	}
}

func TestWrapped(t *testing.T) {
	text := strings.Repeat("seed lot ", 40)
	for _, lead := range []string{"", "- ", "    "} {
		got := wrapped(text, lead)
		if strings.Join(strings.Fields(got), " ") != strings.TrimSpace(lead+strings.Join(strings.Fields(text), " ")) {
			t.Errorf("words are lost: %q", got)
		}
		for line := range strings.Lines(got) {
			if len(line) > screenWidth+1 {
				t.Errorf("%d wide: %q", len(line), line)
			}
		}
	}
	if got := wrapped(fmt.Sprintf("one %s two", strings.Repeat("x", 100)), "- "); strings.Count(got, "\n") != 3 {
		t.Errorf("a word that is too long: %q", got)
	}
}
