package record

import (
	"bytes"
	"errors"
	"time"
)

// ErrNoRun says that no run of an id is known.
var ErrNoRun = errors.New("no run of that id is known")

// noRun stands in every weighing that carries no run: an id cannot hold it, since its quotes would be escaped.
var noRun = []byte(`"run":null`)

// OfNoRun says, without reading all of it, whether a weighing carries no run.
func OfNoRun(e Entry) bool { return bytes.Contains(e.JSON, noRun) }

// noSample stands likewise in every weighing that carries no sample.
var noSample = []byte(`"sample":null`)

// OfNoSample says, without reading all of it, whether a weighing carries no sample.
func OfNoSample(e Entry) bool { return bytes.Contains(e.JSON, noSample) }

// The states of a run, as gateway/procedure brings about. A run that is complete goes on to be reviewed.
const (
	RunOpen      = "open"
	RunComplete  = "complete"
	RunAbandoned = "abandoned"
)

// RunRef names a run: one execution of one version of a procedure.
type RunRef struct {
	ID        string       `json:"id"` // r-7qx3-000017: the 17th of the incarnation
	Procedure ProcedureRef `json:"procedure"`
}

// RunItem is one of the things that a run is about: a sample, a container, or a sample in a container.
type RunItem struct {
	Sample    string            `json:"sample,omitempty"`
	Lot       string            `json:"lot,omitempty"`
	Container string            `json:"container,omitempty"`
	Position  int               `json:"position,omitempty"` // where a system that asks for it says so; from 1
	Fields    map[string]string `json:"fields,omitempty"`   // what whoever asked for it wants back with its results
}

// RunBegun says that a run began.
type RunBegun struct {
	Head
	Run        RunRef            `json:"run"`
	Balance    *Balance          `json:"balance,omitempty"` // where it begins; absent: at none yet
	Request    *RequestRef       `json:"request,omitempty"` // what it answers
	Items      []RunItem         `json:"items"`
	Parameters map[string]string `json:"parameters,omitempty"` // as they were given: "10 g"
	By         Actor             `json:"by"`
	Stamp      Stamp             `json:"stamp"`
}

func (r *RunBegun) Kind() Kind      { return KindRunBegun }
func (r *RunBegun) Subject() string { return idOf(r.Balance) }
func (r *RunBegun) Time() time.Time { return r.Stamp.UTC.Time() }

func idOf(b *Balance) string {
	if b == nil {
		return ""
	}
	return b.ID
}

// What became of one attempt at a step of a run, or what was done to the run between its steps.
const (
	StepTaken    = "taken"
	StepReplaced = "replaced" // what a step found does not count any more, and stays: Reason says why it is done again
	StepStopped  = "stopped"  // a mistake that was stopped: a wrong, repeated, missing or expired container, another balance. Why says which
	StepUnused   = "unused"   // a weighing of the run that no step had asked for. It stays recorded, and no result uses it
	StepAllowed  = "allowed"  // somebody who may lets the run go on with a value that is outside its limits
	StepSkipped  = "skipped"  // its condition is not met, or the item is missing and is left out with a reason

	RunMoved      = "moved"       // the run goes on at this balance
	RunPutAside   = "put aside"   // it is at no balance, until it is taken up again
	RunHandedOver = "handed over" // another person goes on with it
)

// RunStep is one attempt at one step of a run, or something done to the run between its steps. Each is an entry, also what does not count.
type RunStep struct {
	Head
	Run     RunRef   `json:"run"`
	Balance *Balance `json:"balance,omitempty"`
	Step    string   `json:"step,omitempty"` // id in the procedure; absent where it is about the whole run
	Does    string   `json:"does,omitempty"` // what the step is to do: weigh, empty, compute …
	// Pass is which time a step of a block it is, from 1: of the item with that number, or of the repetition; 0 outside blocks.
	Pass    int    `json:"pass,omitempty"`
	Attempt int    `json:"attempt,omitempty"` // from 1
	Became  string `json:"became"`            // one of the words above

	Item     *RunItem    `json:"item,omitempty"`     // whose step it is
	Weighing *EntryRef   `json:"weighing,omitempty"` // where the value was weighed, or the slip that was typed in
	Value    *RunValue   `json:"value,omitempty"`
	Worked   *Worked     `json:"worked,omitempty"` // how the value was computed
	Verdicts []Verdict   `json:"verdicts,omitempty"`
	Why      string      `json:"why,omitempty"`    // in a sentence, where weighpost itself decided
	Reason   string      `json:"reason,omitempty"` // that somebody gave
	Ref      string      `json:"ref,omitempty"`    // of an investigation, where going on needs one
	Next     string      `json:"next,omitempty"`   // where a decision leads: a step's id, or end
	Due      *UTC        `json:"due,omitempty"`    // of a step that waits: when it is over
	Second   *Actor      `json:"second,omitempty"` // the second person, where the step asks for one
	Request  *RequestRef `json:"request,omitempty"`
	By       Actor       `json:"by"` // who performs the run
	Stamp    Stamp       `json:"stamp"`
}

func (r *RunStep) Kind() Kind      { return KindRunStep }
func (r *RunStep) Subject() string { return idOf(r.Balance) }
func (r *RunStep) Time() time.Time { return r.Stamp.UTC.Time() }

// RunValue is what a step found. A quantity has Digits and Unit; a text, a choice, an id or a date has Text.
type RunValue struct {
	Name   string `json:"name,omitempty"`   // under which formulas know it
	Digits string `json:"digits,omitempty"` // as printed, as typed, or as rounded
	Unit   string `json:"unit,omitempty"`   // UCUM code; "1" for a bare number
	Text   string `json:"text,omitempty"`
	Kind   string `json:"kind,omitempty"` // of a weighing: gross, net, unknown, as the balance called it
	How    string `json:"how,omitempty"`  // weighed, typed, scanned, read (off an instrument that sent it), computed, chosen, late
	// Instrument is what the value was read off, and ReadAt when that showed it.
	Instrument string `json:"instrument,omitempty"`
	ReadAt     *UTC   `json:"read_at,omitempty"`
}

// Worked says how a value was computed, so that anybody can do it again with a pencil.
type Worked struct {
	Formula  string        `json:"formula"`
	Inputs   []WorkedInput `json:"inputs"`
	Exact    string        `json:"exact"`             // before it was rounded, with its unit
	Ratio    string        `json:"ratio,omitempty"`   // the same in full, as a fraction, where its decimals have no end: 1/3
	Rounded  string        `json:"rounded"`           // with its unit
	Rule     string        `json:"rule"`              // "to 0.01 g, half to even"
	Sources  []string      `json:"sources,omitempty"` // of the functions that it uses
	Excluded []string      `json:"excluded,omitempty"`
}

// WorkedInput is one value that went into a formula.
type WorkedInput struct {
	Name  string   `json:"name"`
	Value []string `json:"value"` // with its unit; several where it is a list
}

// RunResult is one result of a run.
type RunResult struct {
	Name    string    `json:"name"`
	Label   string    `json:"label,omitempty"`
	Item    *RunItem  `json:"item,omitempty"` // absent: of the whole run
	Digits  string    `json:"digits,omitempty"`
	Unit    string    `json:"unit,omitempty"`
	Text    string    `json:"text,omitempty"`
	Exact   string    `json:"exact,omitempty"`
	Verdict string    `json:"verdict"` // passed, warned, failed, not judged
	Limit   string    `json:"limit,omitempty"`
	Allowed string    `json:"allowed,omitempty"` // why the run went on with it although it is outside its limit
	Missing string    `json:"missing,omitempty"` // why it has no value: its item was left out, or it could not be computed
	Entry   *EntryRef `json:"entry,omitempty"`   // of the step that found it
}

// RunLeft is an item that a run was begun with, or came to, and that was left out of it.
type RunLeft struct {
	Item   RunItem `json:"item"`
	Reason string  `json:"reason"` // that somebody gave
}

// RunEnded says that all steps of a run are done, or that it was abandoned.
type RunEnded struct {
	Head
	Run       RunRef      `json:"run"`
	Balance   *Balance    `json:"balance,omitempty"` // where it was last
	Request   *RequestRef `json:"request,omitempty"`
	State     string      `json:"state"`             // complete, abandoned
	Verdict   string      `json:"verdict,omitempty"` // of the items that were not left out
	Results   []RunResult `json:"results"`
	Items     []RunItem   `json:"items"`
	LeftOut   []RunLeft   `json:"left_out,omitempty"` // of these: Verdict says nothing of them, and they have no results
	Begun     EntryRef    `json:"begun"`
	Steps     []EntryRef  `json:"steps"`     // every attempt, those that do not count too
	Weighings []EntryRef  `json:"weighings"` // that results rest on
	Unused    []EntryRef  `json:"unused"`    // weighings of the run that no result uses
	Balances  []string    `json:"balances"`  // ids of all that were used
	People    []string    `json:"people"`    // ids of all who performed or confirmed
	Reason    string      `json:"reason,omitempty"`
	By        Actor       `json:"by"`
	Stamp     Stamp       `json:"stamp"`
}

func (r *RunEnded) Kind() Kind      { return KindRunEnded }
func (r *RunEnded) Subject() string { return idOf(r.Balance) }
func (r *RunEnded) Time() time.Time { return r.Stamp.UTC.Time() }
