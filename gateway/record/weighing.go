package record

import (
	"cmp"
	"strings"
	"time"

	"weighpost/parsers/layout"
)

// Weighing is a recorded reading that is a mass.
type Weighing struct {
	Head
	Balance  Balance   `json:"balance"`
	Value    Value     `json:"value"`
	Printed  *Printed  `json:"printed,omitempty"`      // what else the balance printed in the same frame
	Frame    []byte    `json:"frame"`                  // the bytes exactly as received, base64 in JSON
	Layout   string    `json:"layout"`                 // sha256: of the layout that read the frame
	Trigger  string    `json:"trigger"`                // what recorded it: the capture rule (printed, settled, every 5s, all), or asked: a request
	Port     string    `json:"port"`                   // where the bytes came from
	Request  string    `json:"request_mark,omitempty"` // of the request that asked for it, as of Actor.Request
	Stamp    Stamp     `json:"stamp"`
	Context  Context   `json:"context"`
	Verdicts []Verdict `json:"verdicts"`
	Fitness  Fitness   `json:"fitness"`
	Software Software  `json:"software"`
}

// Kind is KindWeighing.
func (w *Weighing) Kind() Kind { return KindWeighing }

// Subject is the balance's id.
func (w *Weighing) Subject() string { return w.Balance.ID }

// Time is the stamp's instant.
func (w *Weighing) Time() time.Time { return w.Stamp.UTC.Time() }

// Result is a recorded reading that is no mass: pieces, percent.
type Result struct{ Weighing }

// Kind is KindResult.
func (r *Result) Kind() Kind { return KindResult }

// Balance is the instrument as it was known when the entry was made. What is not known is left out.
type Balance struct {
	ID                   string `json:"id"`
	Serial               string `json:"serial,omitempty"`
	Place                string `json:"place,omitempty"`
	Capacity             string `json:"capacity,omitempty"`
	Readability          string `json:"readability,omitempty"`           // d, with unit: "0.0001 g"
	VerificationInterval string `json:"verification_interval,omitempty"` // e, with unit, if verified
	Identity             string `json:"identity,omitempty"`              // confirmed or unconfirmed; absent where no reading is at hand
}

// Value is what the frame says of the quantity. When Range is over or under there are no digits.
type Value struct {
	Digits          string `json:"digits,omitempty"` // as printed, normalised only in decimal sign, grouping and place of the sign
	Unit            string `json:"unit,omitempty"`   // UCUM code; empty where UCUM has none
	PrintedUnit     string `json:"printed_unit,omitempty"`
	Kind            string `json:"kind"`      // gross, net, tare …, unknown
	Stability       string `json:"stability"` // stable, unstable, unknown
	Range           string `json:"range"`     // in, over, under
	AuxiliaryDigits int    `json:"auxiliary_digits"`
}

// UnitShown is the unit as the balance prints it, or its code where it prints none.
func (v *Value) UnitShown() string { return cmp.Or(v.PrintedUnit, v.Unit) }

// Shown is digits and unit as the balance prints them, and "" for neither.
func (v *Value) Shown() string { return strings.TrimSpace(v.Digits + " " + v.UnitShown()) }

// Printed holds what a frame carries beside its value, as printed.
type Printed struct {
	Person      string `json:"person,omitempty"`
	Sample      string `json:"sample,omitempty"`
	Balance     string `json:"balance,omitempty"`
	Count       string `json:"count,omitempty"`
	Date        string `json:"printed_date,omitempty"` // ISO 8601 where the layout knows the order
	Time        string `json:"printed_time,omitempty"`
	RangeNumber string `json:"range_number,omitempty"`
	Check       string `json:"check,omitempty"` // ok, where the frame carried check characters
}

// ValueOf copies a reading into the record's own form.
func ValueOf(r *layout.Reading) Value {
	return Value{
		Digits: r.Digits(), Unit: r.UnitCode(), PrintedUnit: r.PrintedUnit(),
		Kind: r.Kind.String(), Stability: r.Stability.String(), Range: r.Range.String(),
		AuxiliaryDigits: r.AuxiliaryDigits,
	}
}

// PrintedOf copies what a reading carries beside its value, or nil when there is nothing.
func PrintedOf(r *layout.Reading) *Printed {
	p := Printed{
		Person: r.Person(), Sample: r.Sample(), Balance: r.Balance(), Count: r.Count(),
		Date: r.Date(), Time: r.Time(), RangeNumber: r.RangeNumber(), Check: r.CheckState(),
	}
	if p == (Printed{}) {
		return nil
	}
	return &p
}

// Context ties a weighing to person, sample and method, and says how each was learnt.
type Context struct {
	Person *Learnt           `json:"person"`
	Sample *Learnt           `json:"sample"`
	Method *Learnt           `json:"method"`
	Run    *Learnt           `json:"run"`
	Lot    *Learnt           `json:"lot"`
	Fields map[string]string `json:"fields"`
}

// Learnt is one item of a context. By is signed-in, scanned, sent, typed or printed (by the balance itself).
type Learnt struct {
	ID string `json:"id"`
	By string `json:"by"`
	// Since is when it was set; absent where the balance printed it.
	Since *UTC `json:"since,omitempty"`
	// UsesLeft is how many weighings it holds for after this one; absent: no limit.
	UsesLeft *int `json:"uses_left,omitempty"`
	// Name and Role are a person's as they were when they were set, and How is how that person was identified: one of the words
	// of Actor.By. Absent where only the id was told.
	Name string `json:"name,omitempty"`
	Role string `json:"role,omitempty"`
	How  string `json:"how,omitempty"`
}

// Verdict is what one rule said of one weighing.
type Verdict struct {
	Rule  string `json:"rule"`
	Pass  bool   `json:"pass"`
	Limit string `json:"limit,omitempty"`
	Why   string `json:"why,omitempty"`
	// NotJudged: the rule says nothing of this weighing, for the reason that Why gives. Pass is false then, and means nothing.
	NotJudged bool `json:"not_judged,omitempty"`
	// From is where the limit comes from.
	From string `json:"from,omitempty"`
}

// Failed says whether the rule said that the weighing is not right. One that is not judged is neither failed nor passed.
func (v *Verdict) Failed() bool { return !v.Pass && !v.NotJudged }

// Passed says whether the rule said that the weighing is right.
func (v *Verdict) Passed() bool { return v.Pass && !v.NotJudged }

// Fitness says whether the balance may be used, as far as was known. State is one of the words in fitness.go.
type Fitness struct {
	State     string `json:"state"`
	LastCheck string `json:"last_check,omitempty"` // the entry of the end of the last check
	Due       string `json:"due,omitempty"`        // when the next check is due (RFC 3339); in the past: it is due
	// Held: the lab's policy has sinks hold this weighing back until somebody releases it, since the balance was out of service.
	Held bool `json:"held,omitempty"`
}

// Software says which program, in which configuration, made the entry.
type Software struct {
	Version string `json:"version"`
	Config  string `json:"config"` // sha256: of the redacted configuration
}
