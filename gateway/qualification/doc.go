// Package qualification is the report of what this installation showed when it was tried out: which tests, for which requirement and
// clause, what was tried, expected and seen, by whom, when, on which program. It owns the form of the report, its words on paper, and the
// note by which the journal's key stands for its files. It tries nothing out itself, and touches no disk, no clock and no network.
//
// A report says what was seen, on one computer, at one time. It qualifies no lab: that is for its quality system and for qualified people.
package qualification

import (
	"slices"
	"strings"

	"weighpost/gateway/record"
)

// Schema is the form of a report, in the folder configs: qualification.schema.json.
const Schema = "weighpost.qualification/1"

// Outcomes of a test.
const (
	Passed  = "passed"
	Failed  = "failed"
	NotDone = "not done" // with the reason why
)

// Report is what became of all tests.
type Report struct {
	Schema   string   `json:"schema"`
	ID       string   `json:"id"` // also the name of its files, without their ending
	Site     string   `json:"site"`
	Journal  string   `json:"journal"` // its origin, or "" where it could not be read
	By       Person   `json:"by"`
	Begun    When     `json:"begun"`
	Ended    When     `json:"ended"`
	Program  Program  `json:"program"`
	Host     Host     `json:"host"`
	Config   Config   `json:"configuration"`
	Daemon   string   `json:"daemon"`   // a sentence: whether it ran meanwhile
	Asked    string   `json:"asked"`    // what the person asked for: all, or what was left out
	Summary  Summary  `json:"summary"`  // how many tests had which outcome
	Verdict  string   `json:"verdict"`  // a sentence
	Tests    []Test   `json:"tests"`    // in the order in which they were done
	Limits   []string `json:"limits"`   // what the report does not show, a sentence each
	Software string   `json:"software"` // the program that wrote the report, with its version
}

// Person is who had the tests done, by their own word, and the account of the system that the command ran under.
type Person struct {
	Name    string `json:"name"`
	Account string `json:"account"`
}

// When is a time with how sure it is. Bound is nil where nothing checked the clock.
type When struct {
	UTC   record.UTC   `json:"utc"`
	Clock string       `json:"clock"` // checked, holdover or unchecked
	Bound *record.Span `json:"bound_s"`
	Zone  string       `json:"zone,omitempty"`
}

// WhenOf takes the time out of a stamp.
func WhenOf(s record.Stamp) When {
	return When{UTC: s.UTC, Clock: s.Clock, Bound: s.Bound, Zone: s.Zone}
}

// Program is the program that was tried out.
type Program struct {
	Version string `json:"version"`
	Commit  string `json:"commit"` // "" where it was built without knowing one
	Changed bool   `json:"changed"`
	File    string `json:"file"`
	SHA256  string `json:"sha256"`
	Build   string `json:"build"` // compiler, system and processor
}

// Host is the computer.
type Host struct {
	Name   string `json:"name"`
	System string `json:"system"`
}

// Config is the configuration.
type Config struct {
	File string `json:"file"`
	Hash string `json:"hash"`
}

// Summary counts outcomes.
type Summary struct {
	Passed  int `json:"passed"`
	Failed  int `json:"failed"`
	NotDone int `json:"not_done"`
}

// Test is one test, and what became of it.
type Test struct {
	ID          string     `json:"id"`
	Requirement string     `json:"requirement"`
	Clauses     []Clause   `json:"clauses"`
	Tried       string     `json:"tried"`
	Expected    string     `json:"expected"`
	Seen        string     `json:"seen"`
	Outcome     string     `json:"outcome"`
	Why         string     `json:"why,omitempty"` // it failed or was not done
	Begun       record.UTC `json:"begun"`
	Ended       record.UTC `json:"ended"`
}

// Group is the first word of a test's id.
func (t *Test) Group() string {
	group, _, _ := strings.Cut(t.ID, ".")
	return group
}

// Close counts the outcomes and says in a sentence what they come to.
func (r *Report) Close() {
	r.Summary = Summary{}
	for i := range r.Tests {
		switch r.Tests[i].Outcome {
		case Passed:
			r.Summary.Passed++
		case Failed:
			r.Summary.Failed++
		default:
			r.Summary.NotDone++
		}
	}
	switch {
	case r.Summary.Failed > 0:
		r.Verdict = "Something failed: read which, mend it, and try again."
	case r.Summary.Passed == 0:
		r.Verdict = "Nothing was shown: no test was done."
	case r.Summary.NotDone > 0:
		r.Verdict = "What was tried passed. Some tests were not done: each says why."
	default:
		r.Verdict = "Everything that was tried passed."
	}
}

// Good says whether something was shown and nothing failed.
func (r *Report) Good() bool {
	return r.Summary.Failed == 0 && slices.ContainsFunc(r.Tests, func(t Test) bool { return t.Outcome == Passed })
}

// Limits are what no such report shows.
func Limits() []string {
	return []string{
		"It says what this computer showed at the time given, and nothing of any other time. After a change of program, configuration, computer, cable or adapter it is out of date.",
		"It qualifies no laboratory and no balance: whether these tests are enough for the lab's use is for the lab's quality system and qualified people to judge.",
		"Nobody pulled the plug: a power cut is not tried by a program. A disk that says that bytes are safe before they are is not found out by writing to it.",
		"Roles are tried in a journal of its own with throw-away accounts, so that the lab's journal has none of them: same program, same roles and policies. People's own accounts, a directory and a provider are not tried.",
		"The key that signed this report is the journal's. Whoever can read that key can sign another report: keep this one, its hash and the public key elsewhere.",
	}
}
