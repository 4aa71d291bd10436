package console

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/report"
)

// BalanceFile is what the lab keeps of one balance: what it is, its certificate, what is due, what was done to it, and the weights that
// it was checked with. What is not known is named, and never taken for good.
type BalanceFile struct {
	Balance     record.Balance        `json:"balance"`
	Fitness     record.Fitness        `json:"fitness"`
	Since       record.UTC            `json:"since"`
	Certificate CertificateState      `json:"certificate"`
	Minimum     *record.MinimumWeight `json:"minimum_weight,omitempty"`
	NoMinimum   string                `json:"no_minimum_weight_because,omitempty"`
	Schedule    []CheckDue            `json:"schedule" nullable:"false"`
	Upkeep      []*record.Upkeep      `json:"upkeep" nullable:"false" doc:"What was done to it, newest first, at most 200."`
	Weights     []WeightInFile        `json:"weights" nullable:"false" doc:"Reference weights that its last checks used, at most 500 checks, by id."`
	Clock       string                `json:"clock,omitempty" doc:"State of the clock that today is from: checked, holdover or unchecked."`
	Missing     []string              `json:"missing" nullable:"false" doc:"What is not known of it, in sentences."`
}

// CertificateState is the newest calibration certificate of a balance, and whether it is relied on today.
type CertificateState struct {
	State       string              `json:"state" enum:"relied on,overdue,unknown" doc:"unknown: none is registered, or not until when it is relied on."`
	Why         string              `json:"why" doc:"In a sentence."`
	Calibration *record.Calibration `json:"calibration,omitempty"`
	Entry       string              `json:"entry,omitempty" doc:"The entry that says so."`
}

// WeightInFile is a reference weight that a check of the balance used.
type WeightInFile struct {
	Used  record.WeightUsed `json:"used" doc:"As the register had it then."`
	Check string            `json:"check" doc:"The last check that used it."`
	UTC   record.UTC        `json:"utc" doc:"When that ended."`
	Today string            `json:"today" doc:"How the register has it today, in a sentence."`
}

// States of a certificate.
const (
	CertificateRelied  = "relied on"
	CertificateOverdue = "overdue"
	CertificateUnknown = "unknown"
)

// FileOfBalance gathers the file of a balance. day is today at the site, YYYY-MM-DD.
func (d *Deps) FileOfBalance(balance, day string) (*BalanceFile, bool) {
	v, ok := d.Fitness.FitnessOf(balance)
	if !ok {
		return nil, false
	}
	f := &BalanceFile{Balance: v.Balance, Fitness: v.Fitness, Since: v.Since, Minimum: v.Minimum, NoMinimum: v.NoMinimum,
		Schedule: append([]CheckDue{}, v.Schedule...), Upkeep: append([]*record.Upkeep{}, v.Upkeep...), Weights: []WeightInFile{}, Missing: []string{}}
	f.Certificate = certificateOf(v.Upkeep, day)
	for _, c := range v.Checks {
		for _, w := range c.Weights {
			if !slices.ContainsFunc(f.Weights, func(o WeightInFile) bool { return o.Used.ID == w.ID }) {
				f.Weights = append(f.Weights, WeightInFile{Used: w, Check: c.Check.ID, UTC: c.Stamp.UTC, Today: d.weightToday(w.ID)})
			}
		}
	}
	slices.SortFunc(f.Weights, func(a, b WeightInFile) int { return strings.Compare(a.Used.ID, b.Used.ID) })
	f.miss()
	return f, true
}

func (d *Deps) weightToday(id string) string {
	switch w, known := d.Fitness.ReferenceWeight(id); {
	case !known:
		return "it is not in the register"
	case w.Unfit != "":
		return "not to be relied on: " + w.Unfit
	case w.Certificate != nil:
		return "relied on until " + w.Certificate.Due
	}
	return "not known"
}

// certificateOf finds the newest calibration with a certificate. Upkeep is newest first.
func certificateOf(upkeep []*record.Upkeep, day string) CertificateState {
	i := slices.IndexFunc(upkeep, func(u *record.Upkeep) bool { return u.Act == record.Calibrated && u.Calibration != nil })
	if i < 0 {
		return CertificateState{State: CertificateUnknown, Why: "No calibration certificate is registered."}
	}
	c := CertificateState{State: CertificateRelied, Calibration: upkeep[i].Calibration, Entry: upkeep[i].ID}
	switch due := c.Calibration.Due; {
	case due == "":
		c.State, c.Why = CertificateUnknown, fmt.Sprintf("Until when certificate %s is relied on is not known.", c.Calibration.Number)
	case due < day:
		c.State, c.Why = CertificateOverdue, fmt.Sprintf("Certificate %s was due on %s.", c.Calibration.Number, due)
	default:
		c.Why = fmt.Sprintf("Certificate %s is relied on until %s, that day too.", c.Calibration.Number, due)
	}
	return c
}

// miss names what is not known.
func (f *BalanceFile) miss() {
	say := func(missing bool, text string) {
		if missing {
			f.Missing = append(f.Missing, text)
		}
	}
	b := f.Balance
	say(b.Serial == "", "Its serial number is not known.")
	say(b.Place == "", "Where it stands is not known.")
	say(b.Capacity == "", "Its capacity is not known.")
	say(b.Readability == "", "Its readability d is not known.")
	say(b.VerificationInterval == "", "Its verification interval e is not known: it is taken for not verified.")
	say(f.Certificate.State == CertificateUnknown, f.Certificate.Why)
	say(len(f.Schedule) == 0, "No check is scheduled: whether it is fit to weigh is not known.")
	say(len(f.Weights) == 0, "No check with a reference weight is known.")
	say(f.Minimum == nil, strings.TrimSpace("Its minimum weight is not known. "+sentence(f.NoMinimum)))
	for _, w := range f.Weights {
		say(w.Used.Certificate == nil, fmt.Sprintf("No certificate of the reference weight %s was registered when it was last used.", w.Used.ID))
	}
}

// unchecked says of the clock that it cannot be relied on, where that is so.
func (f *BalanceFile) unchecked() string {
	if f.Clock == "" || f.Clock == record.ClockChecked {
		return ""
	}
	return ", by a clock that is not checked: what is overdue may be wrong"
}

// Document writes the file for people.
func (f *BalanceFile) Document(made time.Time) *report.Document {
	b := f.Balance
	unknown := func(s string) string { return cmp.Or(s, "not known") }
	d := &report.Document{Title: "File of balance " + b.ID, Under: []string{"As it was on " + made.Local().Format("2006-01-02 15:04 -07:00") + f.unchecked()}}
	d.Parts = append(d.Parts, report.Section{Name: "What is not known", Notes: f.Missing})
	if len(f.Missing) == 0 {
		d.Parts[0].Notes = []string{"Nothing that is asked for here is missing."}
	}
	least := unknown(f.NoMinimum)
	if f.Minimum != nil {
		least = string(f.Minimum.Mass) + ", by " + f.Minimum.Source
	}
	d.Parts = append(d.Parts, report.Section{Name: "Identity", Facts: []report.Fact{{Name: "Balance", Value: b.ID}, {Name: "Serial number", Value: unknown(b.Serial)}, {Name: "Place", Value: unknown(b.Place)},
		{Name: "Readability d", Value: unknown(b.Readability)}, {Name: "Verification interval e", Value: unknown(b.VerificationInterval)}, {Name: "Capacity", Value: unknown(b.Capacity)},
		{Name: "State", Value: f.Fitness.State}, {Name: "Minimum weight", Value: least}}})
	d.Parts = append(d.Parts, f.certificateSection(), f.dueSection(), f.upkeepSection(), f.weightsSection(),
		report.Section{Name: "What this file is not", Notes: []string{report.Caution}})
	return d
}

func (f *BalanceFile) certificateSection() report.Section {
	s := report.Section{Name: "Calibration certificate", Facts: []report.Fact{{Name: "State", Value: f.Certificate.State + ". " + f.Certificate.Why}}}
	c := f.Certificate.Calibration
	if c == nil {
		return s
	}
	use := "not known"
	if c.Alpha != "" {
		use = fmt.Sprintf("U(W) = %s + %s W, k = %s", c.Alpha, c.Beta, cmp.Or(c.CoverageFactor, "not known"))
	}
	s.Facts = append(s.Facts, report.Fact{Name: "Certificate", Value: report.CertificateText(&c.Certificate)}, report.Fact{Name: "Uncertainty in use", Value: use},
		report.Fact{Name: "Entry", Value: f.Certificate.Entry})
	return s
}

// fileTime writes a time as Document writes when it was made.
func fileTime(t record.UTC) string { return t.Time().Local().Format("2006-01-02 15:04 -07:00") }

func (f *BalanceFile) dueSection() report.Section {
	s := report.Section{Name: "What is due"}
	if len(f.Schedule) == 0 {
		s.Notes = []string{"No check is scheduled."}
		return s
	}
	s.Table = &report.Table{Heads: []report.Head{{Name: "Check", Share: 0.25}, {Name: "Passed last", Share: 0.25}, {Name: "Due", Share: 0.25}, {Name: "State", Share: 0.25}}}
	for _, c := range f.Schedule {
		last := "never"
		if c.Last != nil {
			last = fileTime(*c.Last)
		}
		state := c.State
		if state == record.InService {
			state = "not due"
		}
		s.Table.Rows = append(s.Table.Rows, report.Row{Cells: []string{c.Check, last, fileTime(c.Due), strings.TrimSpace(state + " " + c.Because)}})
	}
	return s
}

func (f *BalanceFile) upkeepSection() report.Section {
	s := report.Section{Name: "Adjustments, moves, repairs, calibrations"}
	if len(f.Upkeep) == 0 {
		s.Notes = []string{"None is recorded. That does not say that there was none."}
		return s
	}
	s.Table = &report.Table{Heads: []report.Head{{Name: "When", Share: 0.27}, {Name: "What", Share: 0.13}, {Name: "As found", Share: 0.17}, {Name: "As left", Share: 0.13}, {Name: "Note, by whom, entry", Share: 0.3}}}
	for _, u := range f.Upkeep {
		found := cmp.Or(u.AsFound, "none")
		if u.Unfound != "" {
			found = "none: " + u.Unfound
		}
		note := u.Note
		if u.Place != "" {
			note = strings.TrimSpace(note + "\nto " + u.Place)
		}
		s.Table.Rows = append(s.Table.Rows, report.Row{Cells: []string{report.When(u.Stamp), u.Act, found, cmp.Or(u.AsLeft, "none"),
			strings.TrimSpace(note + "\nby " + cmp.Or(u.By.Shown(), "not known") + "\n" + u.ID)}})
	}
	return s
}

func (f *BalanceFile) weightsSection() report.Section {
	s := report.Section{Name: "Reference weights that checks used"}
	if len(f.Weights) == 0 {
		s.Notes = []string{"No check with a reference weight is known."}
		return s
	}
	s.Table = &report.Table{Heads: []report.Head{{Name: "Weight", Share: 0.18}, {Name: "Nominal, class", Share: 0.15}, {Name: "Certificate then", Share: 0.25}, {Name: "Last used", Share: 0.2}, {Name: "Today", Share: 0.22}}}
	for _, w := range f.Weights {
		s.Table.Rows = append(s.Table.Rows, report.Row{Cells: []string{w.Used.ID, strings.TrimSpace(string(w.Used.Nominal) + " " + w.Used.Class),
			report.CertificateText(w.Used.Certificate), fileTime(w.UTC) + "\n" + w.Check, w.Today}})
	}
	return s
}
