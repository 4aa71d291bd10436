package record

import "time"

// Outcomes of a check and of one of its results.
const (
	CheckPassed  = "passed"
	CheckWarned  = "warned" // within the action limit, beyond the warning limit
	CheckFailed  = "failed"
	CheckAborted = "aborted" // no verdict: it ended before there was one
	NotJudged    = "not judged"
)

// CheckRef names a check that was begun: the balance, its number there, and what it follows.
type CheckRef struct {
	ID         string `json:"id"`         // BALANCE/c000017: the balance's 17th
	Definition string `json:"definition"` // the name in the configuration
	Hash       string `json:"hash"`       // sha256: of the definition as it then was
}

// Why a check was begun.
const (
	CheckScheduled = "scheduled"
	CheckAsked     = "asked"    // a person wanted it
	CheckAsFound   = "as found" // before an adjustment or a repair
	CheckAsLeft    = "as left"  // after it
	CheckMoved     = "moved"    // after the balance was moved
)

// WeightUsed is a reference weight as it was known when a check used it.
type WeightUsed struct {
	ReferenceWeight
	Entry string `json:"entry"`           // the entry that says so
	Doubt string `json:"doubt,omitempty"` // why it was warned about, and used all the same: overdue, too coarse
}

// CheckBegun says that somebody began a check.
type CheckBegun struct {
	Head
	Check   CheckRef `json:"check"`
	Balance Balance  `json:"balance"`
	Why     string   `json:"why"` // scheduled, asked, as found, as left, moved
	// Class is the accuracy class of the balance, I to IIII (OIML R 76-1), where the settings give one.
	Class   string       `json:"accuracy_class,omitempty"`
	Weights []WeightUsed `json:"weights"`
	By      Actor        `json:"by"`
	Stamp   Stamp        `json:"stamp"`
}

func (c *CheckBegun) Kind() Kind      { return KindCheckBegun }
func (c *CheckBegun) Subject() string { return c.Balance.ID }
func (c *CheckBegun) Time() time.Time { return c.Stamp.UTC.Time() }

// What became of one attempt at a step.
const (
	AttemptTaken    = "taken"
	AttemptReplaced = "replaced"     // it stays, and does not count: Reason says why it was repeated
	AttemptDoubted  = "wrong weight" // so far from what was expected that the person was asked
	AttemptAnswered = "answered"     // a question, not a reading
)

// CheckStep is one attempt at one step of a check: a settled reading, or the answer to a question. Every attempt is an entry.
type CheckStep struct {
	Head
	Check    CheckRef `json:"check"`
	Balance  Balance  `json:"balance"`
	Step     int      `json:"step"`    // from 1, as the definition counts them
	Name     string   `json:"name"`    // what the step is for: "load 1 of 10", "left front"
	Attempt  int      `json:"attempt"` // from 1
	Became   string   `json:"became"`  // taken, replaced, wrong weight, answered
	Weights  []string `json:"weights,omitempty"`
	Expected Mass     `json:"expected,omitempty"`
	Value    *Value   `json:"value,omitempty"`
	Frame    []byte   `json:"frame,omitempty"`   // the bytes of the reading exactly as received
	Settled  string   `json:"settled,omitempty"` // how it was known to be settled: flag, stream, print key, answer to a poll
	Answer   string   `json:"answer,omitempty"`
	Reason   string   `json:"reason,omitempty"`
	By       Actor    `json:"by"`
	Stamp    Stamp    `json:"stamp"`
}

func (c *CheckStep) Kind() Kind      { return KindCheckStep }
func (c *CheckStep) Subject() string { return c.Balance.ID }
func (c *CheckStep) Time() time.Time { return c.Stamp.UTC.Time() }

// CheckResult is one number that a check found, and what was said of it.
type CheckResult struct {
	Name    string `json:"name"`    // "standard deviation", "error at 200 g"
	Value   string `json:"value"`   // rounded as Rounded says, with its unit: "0.00012 g"
	Exact   string `json:"exact"`   // before it was rounded, to 17 significant digits or in full
	Rounded string `json:"rounded"` // the rule
	Warn    string `json:"warn,omitempty"`
	Limit   string `json:"limit,omitempty"`
	From    string `json:"from,omitempty"` // where the limit comes from: a clause, or "the lab's tolerance"
	Verdict string `json:"verdict"`        // passed, warned, failed, not judged
	// Uncertainty is the expanded uncertainty (k = 2) where the definition asks for it.
	Uncertainty string `json:"uncertainty,omitempty"`
	// Budget is what the uncertainty is made of.
	Budget []UncertaintyPart `json:"budget,omitempty"`
}

// UncertaintyPart is one line of an uncertainty budget.
type UncertaintyPart struct {
	Name     string `json:"name"`     // "readability at zero"
	Spread   string `json:"spread"`   // normal, rectangular, triangular
	Standard string `json:"standard"` // the standard uncertainty, with its unit
	Share    string `json:"share"`    // of the combined variance, in per cent: "12.3 %"
}

// CheckEnded says what a check found, or that it ended without a verdict.
type CheckEnded struct {
	Head
	Check   CheckRef      `json:"check"`
	Balance Balance       `json:"balance"`
	Why     string        `json:"why"`     // as in CheckBegun
	Outcome string        `json:"outcome"` // passed, warned, failed, aborted
	Results []CheckResult `json:"results"`
	Weights []WeightUsed  `json:"weights"`
	Begun   EntryRef      `json:"begun"`
	Steps   []EntryRef    `json:"steps"` // every attempt, those that do not count too
	Reason  string        `json:"reason,omitempty"`
	// MinimumWeight is what the check found to be the least net quantity, where it is one that finds it.
	MinimumWeight *MinimumWeight `json:"minimum_weight,omitempty"`
	By            Actor          `json:"by"`
	Stamp         Stamp          `json:"stamp"`
}

func (c *CheckEnded) Kind() Kind      { return KindCheckEnded }
func (c *CheckEnded) Subject() string { return c.Balance.ID }
func (c *CheckEnded) Time() time.Time { return c.Stamp.UTC.Time() }

// MinimumWeight is the least net quantity that may be weighed, with where it comes from. It is never Min of OIML R 76-1, which is a
// property of the instrument's design.
type MinimumWeight struct {
	Mass   Mass   `json:"mass"`
	Source string `json:"source"`          // "USP <41>, repeatability of 2026-11-30, s = …", "certificate 4711, U(W) = …, SF 2, Req 0.10 %", "configuration"
	Entry  string `json:"entry,omitempty"` // the entry that it comes from
}
