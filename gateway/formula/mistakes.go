package formula

import (
	"fmt"
	"strings"
)

// Mistake is one thing that is wrong with a formula.
type Mistake struct {
	Line, Column int // both from 1, in characters; 0 where it is about the formula as a whole
	Text         string
}

// Error gives place and sentence.
func (m Mistake) Error() string {
	switch {
	case m.Column == 0:
		return m.Text
	case m.Line > 1:
		return fmt.Sprintf("line %d, column %d: %s", m.Line, m.Column, m.Text)
	}
	return fmt.Sprintf("column %d: %s", m.Column, m.Text)
}

// Mistakes is every mistake that Compile found, in the order of the text, and at most ten. It is never empty as an error.
type Mistakes []Mistake

// Error gives all, one a line.
func (m Mistakes) Error() string {
	var lines []string
	for _, one := range m {
		lines = append(lines, one.Error())
	}
	return strings.Join(lines, "\n")
}

// mistakeAt makes a mistake of a place, counted in characters from 0.
func mistakeAt(source []rune, at int, format string, args ...any) Mistake {
	m := Mistake{Line: 1, Column: 1, Text: fmt.Sprintf(format, args...)}
	for _, r := range source[:min(max(at, 0), len(source))] {
		if m.Column++; r == '\n' {
			m.Line, m.Column = m.Line+1, 1
		}
	}
	return m
}
