package report

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"weighpost/gateway/record"
)

// Balance is what the lab keeps of one balance: what it is, the checks that it had, what was done to it, and its states.
type Balance struct {
	Told
	Of record.Balance // as it is known

	checks []*record.CheckEnded
	states []*record.FitnessChanged
	upkeep []*record.Upkeep
}

// NewBalance reads a balance's entries. The error is a sentence.
func NewBalance(b Balance) (*Balance, error) {
	for _, e := range b.Entries {
		var err error
		switch e.Kind {
		case record.KindCheckEnded:
			b.checks, err = read(b.checks, e)
		case record.KindFitnessChanged:
			b.states, err = read(b.states, e)
		case record.KindUpkeep:
			b.upkeep, err = read(b.upkeep, e)
		}
		if err != nil {
			return &b, fmt.Errorf("entry %d cannot be read: %w. Run: weighpost journal verify", e.Seq, err)
		}
	}
	return &b, nil
}

func (b *Balance) told() *Told                 { return &b.Told }
func (b *Balance) about() (kind, about string) { return OfBalance, b.Of.ID }

func (b *Balance) top() head {
	h := head{title: "Balance " + b.Of.ID}
	if n := len(b.states); n > 0 {
		h.lead = []string{"State: " + b.states[n-1].State + ", since " + When(b.states[n-1].Stamp) + "."}
	} else {
		h.lead = []string{"No change of its state is recorded."}
	}
	return h
}

func (b *Balance) closing() []string { return []string{Caution} }

func (b *Balance) block(name string) []Section {
	switch name {
	case BlockFacts:
		return []Section{b.identity(), b.upkeepSection(), b.weightSection()}
	case BlockWeighings:
		return []Section{b.checkSection()}
	case BlockTrail:
		return []Section{b.stateSection(), trailSection(b.Entries)}
	}
	return nil
}

func (b *Balance) identity() Section {
	o := b.Of
	s := Section{Name: "Identity", Facts: []Fact{{"Balance", o.ID}, {"Serial number", known(o.Serial)}, {"Place", known(o.Place)}, {"Readability d", known(o.Readability)},
		{"Verification interval e", known(o.VerificationInterval)}, {"Capacity", known(o.Capacity)}}}
	for _, u := range b.upkeep {
		if u.Act == record.Calibrated && u.Calibration != nil {
			use := unknown
			if u.Calibration.Alpha != "" {
				use = fmt.Sprintf("U(W) = %s + %s W, k = %s", u.Calibration.Alpha, u.Calibration.Beta, known(u.Calibration.CoverageFactor))
			}
			s.Facts = append(s.Facts, Fact{"Calibration certificate", CertificateText(&u.Calibration.Certificate)}, Fact{"Uncertainty in use", use})
		}
	}
	return s
}

func (b *Balance) upkeepSection() Section {
	s := Section{Name: "Adjustments, moves, repairs, calibrations, oldest first"}
	if len(b.upkeep) == 0 {
		s.Notes = []string{"None is recorded. That does not say that there was none."}
		return s
	}
	t := &Table{Heads: []Head{{timeHead, 0.205, false}, {"What", 0.13, false}, {"As found", 0.17, false}, {"As left", 0.13, false}, {"Note, by whom, entry", 0.365, false}}}
	for _, u := range b.upkeep {
		found := orNone(u.AsFound)
		if u.Unfound != "" {
			found = "none: " + u.Unfound
		}
		note := u.Note
		if u.Place != "" {
			note = strings.TrimSpace(note + "\nto " + u.Place)
		}
		t.Rows = append(t.Rows, Row{Cells: []string{stepTime(u.Stamp), u.Act, found, orNone(u.AsLeft), strings.TrimSpace(note + "\nby " + known(u.By.Shown()) + "\n" + u.ID)}})
	}
	s.Table = t
	return s
}

// weightSection lists the reference weights of the last check that used any, as the register had them then.
func (b *Balance) weightSection() Section {
	for _, c := range slices.Backward(b.checks) {
		if len(c.Weights) > 0 {
			s := (&Check{Ended: c}).weights()
			s.Name = "Reference weights of check " + c.Check.ID + ", as the register then had them"
			return s
		}
	}
	return Section{Name: "Reference weights", Notes: []string{"No check with a reference weight is known."}}
}

func (b *Balance) checkSection() Section {
	s := Section{Name: "Checks, oldest first"}
	if len(b.checks) == 0 {
		s.Notes = []string{"No check of it has ended."}
		return s
	}
	t := &Table{Heads: []Head{{"Check", 0.2, false}, {"Ended, ±, clock", 0.205, false}, {"Outcome", 0.14, false}, {"Results, each with its limit", 0.315, false}, {"By", 0.14, false}}}
	for _, c := range b.checks {
		var results []string
		for _, r := range c.Results {
			results = append(results, fmt.Sprintf("%s: %s (limit %s), %s", r.Name, r.Value, orNone(r.Limit), r.Verdict))
		}
		outcome := c.Outcome
		if o := Outcomes[c.Outcome]; o != "" && c.Outcome != record.CheckPassed {
			outcome = o
		}
		if c.Reason != "" {
			outcome += ": " + c.Reason
		}
		t.Rows = append(t.Rows, Row{Cells: []string{c.Check.Definition + "\n" + c.Check.ID, stepTime(c.Stamp), outcome, orNone(strings.Join(results, "\n")), known(c.By.Shown())}})
	}
	s.Table = t
	return s
}

func (b *Balance) stateSection() Section {
	s := Section{Name: "States, oldest first"}
	if len(b.states) == 0 {
		s.Notes = []string{"No change of its state is recorded."}
		return s
	}
	t := &Table{Heads: []Head{{"From, ±, clock", 0.205, false}, {"State", 0.17, false}, {"Before", 0.16, false}, {"Why, entry", 0.465, false}}}
	for _, c := range b.states {
		t.Rows = append(t.Rows, Row{Cells: []string{stepTime(c.Stamp), c.State, known(c.Was), known(strings.TrimSpace(c.Cause+" "+c.Reason)) + "\n" + c.ID}})
	}
	s.Table = t
	return s
}

// CheckReport is a check that has ended, as a report.
type CheckReport struct {
	Told
	Check *Check
}

// NewCheck reads a check's entries, with that of the state which came of it. The error is a sentence.
func NewCheck(t Told) (*CheckReport, error) {
	c := &Check{Version: t.Version}
	for _, e := range t.Entries {
		var err error
		switch e.Kind {
		case record.KindCheckBegun:
			c.Begun = &record.CheckBegun{}
			err = json.Unmarshal(e.JSON, c.Begun)
		case record.KindCheckStep:
			c.Steps, err = read(c.Steps, e)
		case record.KindCheckEnded:
			c.Ended = &record.CheckEnded{}
			err = json.Unmarshal(e.JSON, c.Ended)
		case record.KindFitnessChanged:
			c.Followed = &record.FitnessChanged{}
			err = json.Unmarshal(e.JSON, c.Followed)
		}
		if err != nil {
			return nil, fmt.Errorf("entry %d cannot be read: %w. Run: weighpost journal verify", e.Seq, err)
		}
	}
	if c.Ended == nil {
		return nil, fmt.Errorf("the check has not ended: there is nothing to report yet")
	}
	return &CheckReport{t, c}, nil
}

func (c *CheckReport) told() *Told                 { return &c.Told }
func (c *CheckReport) about() (kind, about string) { return OfCheck, c.Check.Ended.Check.ID }
func (c *CheckReport) closing() []string           { return []string{Caution} }

func (c *CheckReport) top() head {
	d := c.Check.Document()
	return head{title: d.Title, under: d.Under, outcome: d.Outcome, mark: d.Mark, lead: d.Lead}
}

func (c *CheckReport) block(name string) (list []Section) {
	switch name {
	case BlockFacts:
		return []Section{c.Check.balance(), c.Check.check()}
	case BlockCalculations:
		list = append(list, c.Check.results())
		if b := c.Check.budget(); b != nil {
			list = append(list, *b)
		}
		return append(list, c.Check.weights())
	case BlockWeighings:
		return []Section{c.Check.steps()}
	}
	return nil
}
