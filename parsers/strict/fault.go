package strict

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Fault is one mistake in a file.
type Fault struct {
	File    string `json:"file"`
	Line    int    `json:"line"`              // from 1; 0 where no place is known
	Column  int    `json:"column"`            // from 1, in characters
	Path    string `json:"path"`              // balances[0].port.speed; empty for the file as a whole
	What    string `json:"what"`              // what is wrong
	Allowed string `json:"allowed,omitempty"` // what would be right, where that can be said in short
}

// Error gives "file:line:col: path: what; allowed: …".
func (f Fault) Error() string {
	var b strings.Builder
	b.WriteString(f.File)
	if f.Line > 0 {
		b.WriteString(":" + strconv.Itoa(f.Line) + ":" + strconv.Itoa(f.Column))
	}
	b.WriteString(": ")
	if f.Path != "" {
		b.WriteString(f.Path + ": ")
	}
	b.WriteString(f.What)
	if f.Allowed != "" {
		b.WriteString("; allowed: " + f.Allowed)
	}
	return b.String()
}

// Faults are all mistakes of a file, or of several.
type Faults []Fault

// Error gives one fault a line.
func (fs Faults) Error() string {
	lines := make([]string, len(fs))
	for i, f := range fs {
		lines[i] = f.Error()
	}
	return strings.Join(lines, "\n")
}

// Err gives the faults as an error, and nil if there are none.
func (fs Faults) Err() error {
	if len(fs) == 0 {
		return nil
	}
	return fs
}

// Sort puts the faults in the order of the files' first mention and of their lines.
func (fs Faults) Sort() {
	files := map[string]int{}
	for _, f := range fs {
		if _, seen := files[f.File]; !seen {
			files[f.File] = len(files)
		}
	}
	slices.SortStableFunc(fs, func(a, b Fault) int {
		return cmp.Or(cmp.Compare(files[a.File], files[b.File]), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
}

// tidy sorts, drops what was said twice and keeps the list to a length that a person reads.
func (fs Faults) tidy() Faults {
	if len(fs) == 0 {
		return nil
	}
	fs.Sort()
	fs = slices.Compact(fs)
	if more := len(fs) - maxFaults; more > 0 {
		last := fs[maxFaults]
		fs = append(fs[:maxFaults:maxFaults], Fault{File: last.File, Line: last.Line, Column: last.Column,
			What: fmt.Sprintf("%d more faults follow from here; mend the ones above first", more)})
	}
	return fs
}

// show quotes what a person wrote, so that it cannot disturb a terminal, and cuts it to a readable length.
func show(s string) string {
	const most = 40
	if r := []rune(s); len(r) > most {
		s = string(r[:most]) + "…"
	}
	return strconv.Quote(s)
}
