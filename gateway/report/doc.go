// Package report is what a run, a day, a sample, a balance, the audit trail or a check looks like to whoever reads it: which facts, in
// which order, in which words. A Document is plain text in sections; Write puts one on paper, and pages show the same one, so that screen
// and paper never say different things. A Template says which blocks a report has.
//
// The same entries give the same bytes: a report holds no time of its making but that of its issue, which is in the journal with it. What it
// says was so with the last entry that it tells of.
//
// It is given what the journal says, and says no more: what is not known is written as not known. Digits stand as they were recorded,
// nothing is rounded or converted here, and an attempt that does not count stays, struck out in words.
package report

// Document is a text with a title, an outcome, and sections.
type Document struct {
	Title   string
	Under   []string // lines below the title: what it is about
	Outcome string   // large, in words
	Mark    string   // passed, warned, failed, aborted: for those that draw a shape beside it
	Lead    []string // sentences below the outcome
	Parts   []Section
	End     string // what stands below all parts, so that nobody takes a part for the whole (ISO/IEC 17025:2017, 7.8.2.1 d)
	Foot    string // at the foot of every page
	Draft   bool   // it is not issued: every page says so
}

// Section is one part of a document.
type Section struct {
	Name  string
	Facts []Fact
	Table *Table
	Chart *Chart
	Code  string // what a QR code says; "": there is none
	Notes []string
}

// Fact is one thing that is known, or said to be unknown.
type Fact struct{ Name, Value string }

// Table is rows below heads.
type Table struct {
	Heads []Head
	Rows  []Row
}

// Head is the head of a column.
type Head struct {
	Name  string
	Share float64 // of the width; those of a table add up to 1
	Right bool    // its cells are aligned to their right edge
}

// Row is one row of a table, a cell a column.
type Row struct {
	Cells []string
	Out   bool // it does not count: a cell says so in words
}

// unknown is what stands where nothing is known.
const unknown = "not known"

func known(s string) string {
	if s == "" {
		return unknown
	}
	return s
}
