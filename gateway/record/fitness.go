package record

import (
	"errors"
	"time"
)

// NotDone says why something about the fitness of a balance was not done, in a sentence for whoever asked for it.
type NotDone struct {
	Why string
	// Field is the place of what is wrong in what was sent, such as certificate.due; "" where it is about all of it.
	Field string
}

func (n *NotDone) Error() string { return n.Why }

// ErrNoWeight says that no reference weight of an id is registered.
var ErrNoWeight = errors.New("no reference weight of that id is registered")

// ErrNoCheck says that a balance has no check of an id, or none that failed.
var ErrNoCheck = errors.New("no such check of this balance is known")

// States of a balance. They are the state in Weighing.Fitness too, where "unknown" is a balance that nobody checks.
const (
	InService      = "in service"
	CheckDue       = "due"     // a check is due: it may still be used
	CheckOverdue   = "overdue" // past its grace; policy says what follows
	OutOfService   = "out of service"
	InCheck        = "in check" // what it prints now belongs to a check
	FitnessUnknown = "unknown"
)

// Causes of a change of state.
const (
	ByCheckPassed = "check passed"
	ByCheckFailed = "check failed"
	BySchedule    = "schedule" // due or overdue
	ByPerson      = "person"   // taken out of service, or put back, with a reason
	ByCheckBegun  = "check begun"
	ByCheckEnded  = "check ended" // without a verdict
	ByUpkeep      = "upkeep"      // moved, repaired: a check is due before it is used
)

// FitnessChanged says that a balance is in another state from here on.
type FitnessChanged struct {
	Head
	Balance Balance `json:"balance"`
	State   string  `json:"state"`
	Was     string  `json:"was"`
	Cause   string  `json:"cause"`
	Check   string  `json:"check,omitempty"` // the id of the check that it follows from
	Reason  string  `json:"reason,omitempty"`
	By      Actor   `json:"by"`
	Stamp   Stamp   `json:"stamp"`
}

func (f *FitnessChanged) Kind() Kind      { return KindFitnessChanged }
func (f *FitnessChanged) Subject() string { return f.Balance.ID }
func (f *FitnessChanged) Time() time.Time { return f.Stamp.UTC.Time() }

// CheckReminder says once that a check is due, or once that it is overdue.
type CheckReminder struct {
	Head
	Balance    Balance `json:"balance"`
	Definition string  `json:"definition"`
	Due        UTC     `json:"due"`
	Overdue    bool    `json:"overdue"`
	Stamp      Stamp   `json:"stamp"`
}

func (c *CheckReminder) Kind() Kind      { return KindCheckReminder }
func (c *CheckReminder) Subject() string { return c.Balance.ID }
func (c *CheckReminder) Time() time.Time { return c.Stamp.UTC.Time() }

// What was done to a balance.
const (
	Adjusted   = "adjustment"
	Moved      = "move"
	Repaired   = "repair"
	Calibrated = "calibration" // by a competent body: with its certificate
	Serviced   = "maintenance"
)

// Upkeep says what was done to a balance beside weighing with it and checking it. Control charts begin a new phase after it, but for
// maintenance.
type Upkeep struct {
	Head
	Balance Balance `json:"balance"`
	Act     string  `json:"act"`                // adjustment, move, repair, calibration, maintenance
	AsFound string  `json:"as_found,omitempty"` // the id of the check before it
	AsLeft  string  `json:"as_left,omitempty"`  // the id of the check after it
	// Unfound says why there is no check from before it.
	Unfound     string       `json:"no_as_found_because,omitempty"`
	Calibration *Calibration `json:"calibration,omitempty"`
	Place       string       `json:"place,omitempty"` // after a move
	Note        string       `json:"note,omitempty"`
	By          Actor        `json:"by"`
	Stamp       Stamp        `json:"stamp"`
}

func (u *Upkeep) Kind() Kind      { return KindUpkeep }
func (u *Upkeep) Subject() string { return u.Balance.ID }
func (u *Upkeep) Time() time.Time { return u.Stamp.UTC.Time() }

// Calibration is what the certificate of a balance says: U(W) = Alpha + Beta·W is the expanded uncertainty in use
// (EURAMET Calibration Guide 18), Alpha a mass, Beta without a unit.
type Calibration struct {
	Certificate
	Alpha          Mass   `json:"alpha,omitempty"`
	Beta           string `json:"beta,omitempty"`
	CoverageFactor string `json:"k,omitempty"`
}

// Effects of a failed check on what was weighed since the last good one.
const (
	EffectNone     = "no effect"
	EffectAffected = "affected"
)

// AffectedJudged is somebody's judgement on weighings that a failed check throws doubt on.
type AffectedJudged struct {
	Head
	Balance   Balance    `json:"balance"`
	Check     string     `json:"check"`     // the id of the check that failed
	Weighings []EntryRef `json:"weighings"` // 1 to MostReleased
	Effect    string     `json:"effect"`    // no effect, affected
	Reason    string     `json:"reason"`
	By        Actor      `json:"by"`
	Stamp     Stamp      `json:"stamp"`
}

func (a *AffectedJudged) Kind() Kind      { return KindAffectedJudged }
func (a *AffectedJudged) Subject() string { return a.Balance.ID }
func (a *AffectedJudged) Time() time.Time { return a.Stamp.UTC.Time() }

// FailureClosed says that everything that a failed check throws doubt on has been judged.
type FailureClosed struct {
	Head
	Balance  Balance `json:"balance"`
	Check    string  `json:"check"`
	Judged   int     `json:"judged"`
	Affected int     `json:"affected"`
	Reason   string  `json:"reason"`
	By       Actor   `json:"by"`
	Stamp    Stamp   `json:"stamp"`
}

func (f *FailureClosed) Kind() Kind      { return KindFailureClosed }
func (f *FailureClosed) Subject() string { return f.Balance.ID }
func (f *FailureClosed) Time() time.Time { return f.Stamp.UTC.Time() }
