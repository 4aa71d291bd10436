package report

import (
	"fmt"
	"slices"
	"strings"

	"weighpost/gateway/record"
)

// Day is what was weighed on a date, at one balance or at all of the site.
type Day struct {
	Told
	Date    string // 2026-11-30
	Balance string // "": all
	Zone    string // in which the date is one: "Europe/Berlin, +01:00"

	sorted
}

// NewDay reads a day's entries: those of the date, and changes, signatures and reviews of its runs and weighings that came later. The
// error is a sentence.
func NewDay(d Day) (*Day, error) {
	s, err := sortOut(d.Entries)
	d.sorted = s
	return &d, err
}

func (d *Day) told() *Told { return &d.Told }

func (d *Day) about() (kind, about string) {
	if d.Balance != "" {
		return OfDay, d.Date + "/" + d.Balance
	}
	return OfDay, d.Date
}

func (d *Day) top() head {
	h := head{title: "Weighings of " + d.Date, under: []string{"All balances of the site"}}
	if d.Balance != "" {
		h.under = []string{"Balance " + d.Balance}
	}
	return h
}

func (d *Day) closing() []string {
	return []string{"Weights are as the balances printed them. weighpost records, checks and shows: local rules and qualified people decide what a weight may be used for."}
}

func (d *Day) block(name string) []Section {
	switch name {
	case BlockFacts:
		t, out := d.weighingTable(d.fate)
		return []Section{{Name: "Day", Facts: []Fact{{"Date", d.Date + ", in " + d.Zone}, {"Balance", orAll(d.Balance)}, {"Weighings", fmt.Sprintf("%d, of which %d do not count", len(t.Rows), out)},
			{"Runs that ended", fmt.Sprint(len(d.ended))}, {"Frames that were not read", fmt.Sprint(d.unreadCount())}}}}
	case BlockWeighings:
		return []Section{weighingsOf(d.weighingTable(d.fate))}
	case BlockCalculations:
		return d.runSections("")
	case BlockExcluded:
		return d.excludedHere("Every weighing of the day counts as far as is known, and every frame was read.", d.corrected)
	case BlockSignatures:
		return []Section{d.signatures(d.runState, nil, true)}
	}
	return nil
}

func orAll(s string) string {
	if s == "" {
		return "all"
	}
	return s
}

func weighingsOf(t *Table, out int) Section {
	s := Section{Name: "Weighings", Table: t}
	if len(t.Rows) == 0 {
		return Section{Name: "Weighings", Notes: []string{"There is none."}}
	}
	if out > 0 {
		s.Notes = []string{fmt.Sprintf("%d of %d weighings do not count.", out, len(t.Rows))}
	}
	return s
}

func (s *sorted) unreadCount() uint64 {
	n := uint64(len(s.unread))
	for _, u := range s.unreadMore {
		n += u.Frames
	}
	return n
}

// fate is what is known of a weighing outside its run: the run that it is of, and whether that uses it.
func (s *sorted) fate(w *weighed) (used, out string) {
	if out = s.out(w); w.Context.Run == nil {
		return "", out
	}
	run := w.Context.Run.ID
	used = "run " + run
	for _, e := range s.ended {
		if e.Run.ID != run || out != "" {
			continue
		}
		for _, u := range e.Unused {
			if u.ID == w.ID {
				out = "no step of run " + run + " used it"
			}
		}
		if e.State == record.RunAbandoned && out == "" {
			out = "run " + run + " was abandoned: " + known(e.Reason)
		}
	}
	return used, out
}

// runState is the state of a run that ended, as the entries leave it.
func (s *sorted) runState(run string) string {
	for _, e := range s.ended {
		if e.Run.ID == run {
			return s.stateOf(run, e.State)
		}
	}
	return s.stateOf(run, record.RunComplete)
}

// runSections lists the runs that ended, with their results: of all items, or of a run of several samples those of one sample, and those of the
// whole run. What was found of other samples may be nobody's business who gets the report of one.
func (s *sorted) runSections(sample string) (list []Section) {
	if len(s.ended) == 0 {
		return []Section{{Name: "Runs", Notes: []string{"No run ended."}}}
	}
	for _, e := range s.ended {
		results, verdict, by := s.now(e)
		if by == nil {
			results = nil
		}
		others := 0
		if sample != "" {
			e, others = onlyOf(sample, e)
			results = resultsOf(sample, results)
		}
		one := resultSection("Run "+e.Run.ID, e, results)
		one.Facts = []Fact{{"Procedure", fmt.Sprintf("%s, version %d", e.Run.Procedure.Name, e.Run.Procedure.Version)}, {"State, verdict", s.runState(e.Run.ID) + ", " + known(verdict)},
			{"Ended", When(e.Stamp) + ", by " + known(e.By.Shown())}}
		var items []string
		for i := range e.Items {
			items = append(items, itemText(&e.Items[i]))
		}
		one.Facts = append(one.Facts, Fact{"Items", orNone(strings.Join(items, "; "))})
		if e.State == record.RunAbandoned {
			one.Facts = append(one.Facts, Fact{"ABANDONED, because", known(e.Reason)})
		}
		if others > 0 {
			one.Notes = append(one.Notes, fmt.Sprintf("%d of the %d items of the run are of other samples. Their results are not shown here.", others, others+len(e.Items)))
		}
		list = append(list, one)
	}
	return list
}

// onlyOf is the end of a run with what is of one sample, and how many of its items are of others.
func onlyOf(sample string, e *record.RunEnded) (own *record.RunEnded, others int) {
	one := *e
	one.Results = resultsOf(sample, e.Results)
	one.Items = slices.DeleteFunc(slices.Clone(e.Items), func(i record.RunItem) bool { return i.Sample != sample })
	return &one, len(e.Items) - len(one.Items)
}

// resultsOf are the results of one sample, and of the whole run; nil of nil.
func resultsOf(sample string, list []record.RunResult) []record.RunResult {
	return slices.DeleteFunc(slices.Clone(list), func(r record.RunResult) bool { return r.Item != nil && r.Item.Sample != sample })
}

// excludedHere is what does not count among weighings, and what was changed.
func (s *sorted) excludedHere(nothing string, corrected []*record.RunCorrected) []Section {
	var rows []Row
	for i := range s.weighings {
		w := &s.weighings[i]
		if _, out := s.fate(w); out != "" {
			rows = append(rows, Row{Cells: []string{"weighing " + w.Value.Shown(), w.ID, stepTime(w.Stamp), out}, Out: true})
		}
	}
	for _, e := range s.ended {
		if e.State == record.RunAbandoned {
			rows = append(rows, Row{Cells: []string{"abandoned run", e.ID, stepTime(e.Stamp), e.Run.ID + ": " + known(e.Reason)}, Out: true})
		}
	}
	list := []Section{excludedSection(append(rows, s.unreadRows()...), nothing)}
	if c := changes(corrected); c != nil {
		list = append(list, *c)
	}
	return list
}
