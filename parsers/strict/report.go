package strict

import (
	"strconv"
	"strings"
	"time"
)

// Report gathers the faults that the checks of several rooms find in one file. At and Index step into the file; a fault is
// reported at the place of the value, or of the nearest enclosing one that the file holds.
//
// What was already found wrong while reading is not reported again, nor what lies within it.
type Report struct {
	doc   *Doc
	path  string
	n     *node // nil where the file has nothing at this path
	line  int
	col   int
	found *found
}

type found struct{ faults, notes Faults }

// Report begins a report at the top of the file.
func (d *Doc) Report() *Report {
	r := &Report{doc: d, n: d.root, line: 1, col: 1, found: &found{}}
	if d.root != nil {
		r.line, r.col = d.root.line, d.root.col
	}
	return r
}

// NewReport is a report without a file behind it, for values that were made in a program; its faults carry no line.
func NewReport(name string) *Report {
	return &Report{doc: &Doc{name: name}, found: &found{}}
}

// At steps to a key of a mapping.
func (r *Report) At(key string) *Report {
	next := &Report{doc: r.doc, path: join(r.path, key), line: r.line, col: r.col, found: r.found}
	if r.n == nil || r.n.kind != mapping {
		return next
	}
	for i := range r.n.entries {
		if e := &r.n.entries[i]; e.key == key {
			next.n, next.line, next.col = e.value, e.line, e.col
			if e.value.kind == scalar {
				next.line, next.col = e.value.line, e.value.col
			}
		}
	}
	return next
}

// Index steps to an item of a list, from 0.
func (r *Report) Index(i int) *Report {
	next := &Report{doc: r.doc, path: r.path + "[" + strconv.Itoa(i) + "]", line: r.line, col: r.col, found: r.found}
	if r.n != nil && r.n.kind == list && i >= 0 && i < len(r.n.items) {
		next.n = r.n.items[i]
		next.line, next.col = next.n.line, next.n.col
	}
	return next
}

// Written says whether the file holds something at this place, so that a default can be told from a choice.
func (r *Report) Written() bool { return r.n != nil }

// Path is where the report stands, as it is printed in a fault.
func (r *Report) Path() string { return r.path }

// Fault adds a fault at this place: what is wrong, and what is allowed ("" where that cannot be said in short).
func (r *Report) Fault(what, allowed string) {
	if !r.knownBad() {
		r.found.faults = append(r.found.faults, r.fault(what, allowed))
	}
}

// Within adds a fault where a duration is shorter than least or longer than most.
func (r *Report) Within(d Duration, least, most time.Duration) {
	if d.D() < least || d.D() > most {
		r.Fault(d.String()+" is out of range", least.String()+" to "+most.String())
	}
}

// Note adds a remark at this place: nothing wrong, but something to know.
func (r *Report) Note(what string) {
	if !r.knownBad() {
		r.found.notes = append(r.found.notes, r.fault(what, ""))
	}
}

func (r *Report) fault(what, allowed string) Fault {
	return Fault{File: r.doc.name, Line: r.line, Column: r.col, Path: r.path, What: what, Allowed: allowed}
}

// knownBad says whether reading found a fault at this path or at one around it.
func (r *Report) knownBad() bool {
	if r.doc.failed[""] || r.doc.failed[r.path] {
		return true
	}
	for i := len(r.path) - 1; i > 0; i-- {
		if (r.path[i] == '.' || r.path[i] == '[') && r.doc.failed[r.path[:i]] {
			return true
		}
	}
	return false
}

// Faults gives the faults so far of this report and of all that were reached from the same start, sorted by place.
func (r *Report) Faults() Faults { return append(Faults(nil), r.found.faults...).tidy() }

// Notes gives the remarks so far, sorted by place.
func (r *Report) Notes() Faults { return append(Faults(nil), r.found.notes...).tidy() }

// join adds a key to a path. A key that is no plain word is quoted.
func join(path, key string) string {
	for _, c := range key {
		if c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || strings.ContainsRune("_-@/", c) {
			continue
		}
		key = show(key)
		break
	}
	if path == "" {
		return key
	}
	return path + "." + key
}
