package report

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"weighpost/gateway/record"
)

// RunStep is one attempt at a step of a run.
type RunStep struct {
	*record.RunStep
	Counts bool // its value is the one that the run went on with
}

// Run is what is known of a run that has ended.
type Run struct {
	Told
	Begun           *record.RunBegun
	Ended           *record.RunEnded
	Steps           []RunStep // every attempt
	Title           string    // of the procedure
	Cautions        []string  // of the procedure
	Labels          map[string]string
	UnderAssessment string // the check that failed and covers it, and is not judged; "": none

	sorted
}

// NewRun reads what a run's entries say. The error is a sentence.
func NewRun(r Run) (*Run, error) {
	s, err := sortOut(r.Entries)
	r.sorted = s
	return &r, err
}

func (r *Run) told() *Told                 { return &r.Told }
func (r *Run) about() (kind, about string) { return OfRun, r.Ended.Run.ID }

// State is where the run is: where its last review or change has left it.
func (r *Run) State() string { return r.stateOf(r.Ended.Run.ID, r.Ended.State) }

// stateOf is the state that the last review or change of a run has left it in.
func (s *sorted) stateOf(run, ended string) string {
	state, seq := ended, uint64(0)
	for _, a := range s.reviewed {
		if a.Run.ID == run && a.Seq > seq && a.Act != record.ActLook {
			state, seq = a.To, a.Seq
		}
	}
	for _, c := range s.corrected {
		if c.Run.ID == run && c.Seq > seq {
			state, seq = c.To, c.Seq
		}
	}
	return state
}

// now gives results and verdict as they stand: those of the last change, or of the end of the run.
func (s *sorted) now(e *record.RunEnded) (results []record.RunResult, verdict string, by *record.RunCorrected) {
	results, verdict = e.Results, e.Verdict
	for _, c := range s.corrected {
		if c.Run.ID == e.Run.ID {
			results, verdict, by = c.Results, c.Verdict, c
		}
	}
	return results, verdict, by
}

func (r *Run) top() head {
	_, verdict, by := r.now(r.Ended)
	h := head{title: strings.TrimSuffix("Run "+r.Ended.Run.ID+": "+cmp.Or(r.Title, r.Ended.Run.Procedure.Name), ": "), mark: verdict, outcome: strings.ToUpper(cmp.Or(verdict, "no verdict"))}
	if r.Ended.State == record.RunAbandoned {
		h.outcome, h.mark = "ABANDONED", record.CheckAborted
		h.lead = append(h.lead, "The run was abandoned: "+known(r.Ended.Reason)+". What it had found so far is shown, and is no result.")
	}
	state := r.State()
	h.lead = append(h.lead, "State: "+state+".")
	if !slices.Contains([]string{record.RunApproved, record.RunArchived}, state) {
		h.lead = append(h.lead, "It is not approved.")
	}
	if by != nil {
		h.lead = append(h.lead, "The run was changed after its weighings were done. Results stand below as they were first worked out, and as they are now.")
	}
	if r.UnderAssessment != "" {
		h.lead = append(h.lead, "UNDER ASSESSMENT: the check "+r.UnderAssessment+" failed later and covers weighings of this run. Nobody has judged yet what that means for it.")
	}
	return h
}

func (r *Run) closing() []string {
	list := []string{"The results relate only to the items that were weighed, as they were when they were weighed.", "weighpost records, checks and shows. It does not make a balance fit for a purpose or a laboratory compliant: local rules and qualified people decide what a result may be used for."}
	for _, c := range r.Cautions {
		list = append(list, "Caution of the procedure: "+c)
	}
	return list
}

func (r *Run) block(name string) []Section {
	switch name {
	case BlockFacts:
		return []Section{r.facts()}
	case BlockWeighings:
		return []Section{r.weighingSection()}
	case BlockExcluded:
		list := []Section{excludedSection(r.excludedRows(), "Every weighing and every attempt of the run counts, and every frame was read.")}
		if c := changes(r.corrected); c != nil {
			list = append(list, *c)
		}
		return list
	case BlockCalculations:
		return r.calculations()
	case BlockStatistics:
		return r.statistics()
	case BlockChart:
		return r.charts()
	case BlockSignatures:
		state := r.State()
		return []Section{r.signatures(func(string) string { return state }, r.verified(), false)}
	case BlockTrail:
		return []Section{r.trail()}
	}
	return nil
}

func (r *Run) facts() Section {
	e := r.Ended
	s := Section{Name: "Run", Facts: []Fact{{"Run", e.Run.ID}, {"Procedure", fmt.Sprintf("%s, version %d", e.Run.Procedure.Name, e.Run.Procedure.Version)}, {"Its text", known(e.Run.Procedure.Hash)}}}
	if e.Request != nil {
		s.Facts = append(s.Facts, Fact{"Asked for", e.Request.ID + ", by " + e.Request.From})
	}
	for i := range e.Items {
		s.Facts = append(s.Facts, Fact{fmt.Sprintf("Item %d", i+1), itemText(&e.Items[i])})
		for _, name := range slices.Sorted(maps.Keys(e.Items[i].Fields)) {
			s.Facts = append(s.Facts, Fact{fmt.Sprintf("Item %d, as asked: %s", i+1, name), e.Items[i].Fields[name]})
		}
	}
	if r.Begun != nil {
		for _, name := range slices.Sorted(maps.Keys(r.Begun.Parameters)) {
			s.Facts = append(s.Facts, Fact{"Given: " + name, r.Begun.Parameters[name]})
		}
		s.Facts = append(s.Facts, Fact{"Begun", When(r.Begun.Stamp)}, Fact{"Begun by", who(r.Begun.By)})
	}
	s.Facts = append(s.Facts, Fact{"Ended", When(e.Stamp)}, Fact{"Ended by", who(e.By)}, Fact{"People", orNone(strings.Join(e.People, ", "))}, Fact{"Balances", orNone(strings.Join(r.placed(), ", "))})
	return s
}

// placed are the balances with where they stood, as far as their weighings say (ISO/IEC 17025:2017, 7.8.2.1 c).
func (r *Run) placed() (list []string) {
	for _, id := range r.Ended.Balances {
		text := id
		for i := range r.weighings {
			if b := &r.weighings[i].Balance; b.ID == id && b.Place != "" && !strings.Contains(text, " ("+b.Place+")") {
				text += " (" + b.Place + ")"
			}
		}
		list = append(list, text)
	}
	return list
}

func itemText(i *record.RunItem) string {
	var parts []string
	for _, p := range [][2]string{{"sample ", i.Sample}, {"lot ", i.Lot}, {"container ", i.Container}} {
		if p[1] != "" {
			parts = append(parts, p[0]+p[1])
		}
	}
	return known(strings.Join(parts, ", "))
}

// label is what people read of a step.
func (r *Run) label(s *record.RunStep) string {
	text := cmp.Or(r.Labels[s.Step], s.Step)
	if s.Pass > 0 {
		text += fmt.Sprintf(" (%d)", s.Pass)
	}
	if s.Item != nil && len(r.Ended.Items) > 1 {
		text += ", " + itemText(s.Item)
	}
	return text
}

func (r *Run) weighingSection() Section {
	s := Section{Name: "Weighings"}
	t, out := r.weighingTable(r.fate)
	if s.Table = t; len(t.Rows) == 0 {
		s.Table, s.Notes = nil, []string{"The run has no weighing."}
		return s
	}
	if out > 0 {
		s.Notes = []string{fmt.Sprintf("%d of %d weighings do not count.", out, len(t.Rows))}
	}
	return s
}

// fate says what the run used a weighing for, and why it does not count.
func (r *Run) fate(w *weighed) (used, out string) {
	out = r.out(w)
	attempts, counts := []string{}, false
	for _, s := range r.Steps {
		if s.Weighing == nil || s.Weighing.ID != w.ID {
			continue
		}
		counts = counts || s.Counts
		switch {
		case s.Counts:
			used = r.label(s.RunStep)
		case s.Became == record.StepTaken:
			attempts = append(attempts, "for "+r.label(s.RunStep)+", and replaced later")
		default:
			attempts = append(attempts, s.Became+" at "+r.label(s.RunStep)+reasonOf(s.RunStep))
		}
	}
	if out == "" && !counts {
		out = cmp.Or(strings.Join(attempts, "; "), "no step of the run used it")
	}
	return used, out
}

// reasonOf gives why an attempt became what it became.
func reasonOf(s *record.RunStep) string {
	text := strings.TrimSpace(s.Why + " " + s.Reason)
	if s.Ref != "" {
		text += " (investigation " + s.Ref + ")"
	}
	if text == "" {
		return ""
	}
	return ": " + text
}

// excludedRows tell of all that does not count: weighings, attempts, frames that nobody could read.
func (r *Run) excludedRows() (rows []Row) {
	told := map[string]bool{}
	for i := range r.weighings {
		w := &r.weighings[i]
		if _, why := r.fate(w); why != "" {
			told[w.ID] = true
			rows = append(rows, Row{Cells: []string{"weighing " + w.Value.Shown(), w.ID, stepTime(w.Stamp), why}, Out: true})
		}
	}
	for _, s := range r.Steps {
		if s.Counts || s.Step == "" || s.Weighing != nil && told[s.Weighing.ID] {
			continue
		}
		what := "attempt " + s.Became
		if s.Became == record.StepTaken {
			what = "attempt, replaced later"
		}
		if s.Value != nil {
			what += ", " + valueText(s.Value)
		}
		rows = append(rows, Row{Cells: []string{what, s.ID, stepTime(s.Stamp), r.label(s.RunStep) + reasonOf(s.RunStep)}, Out: true})
	}
	return append(rows, r.unreadRows()...)
}

// valueText is a value with its unit, or its text.
func valueText(v *record.RunValue) string {
	if v.Digits == "" {
		return known(v.Text)
	}
	text := strings.TrimSpace(v.Digits + " " + unitText(v.Unit))
	if v.Instrument != "" {
		text += ", read off " + v.Instrument
	}
	return text
}

// unitText is a unit as people write it: a bare number has none.
func unitText(u string) string {
	if u == "1" {
		return ""
	}
	return u
}
