package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"weighpost/gateway/record"
)

// calculations are the results, and how each value was worked out; both results where they were worked out anew.
func (r *Run) calculations() []Section {
	list := []Section{resultSection("Results", r.Ended, r.changedResults())}
	t := &Table{Heads: []Head{{"Value", 0.17, false}, {"Formula, and what went into it", 0.4, false}, {"Before rounding", 0.2, true}, {"Rounded", 0.23, true}}}
	for _, s := range r.Steps {
		if s.Counts && s.Worked != nil {
			t.Rows = append(t.Rows, workedRow(r.label(s.RunStep), s.Worked))
		}
	}
	for _, w := range r.reworked() {
		t.Rows = append(t.Rows, r.reworkedRow(w))
	}
	if len(t.Rows) > 0 {
		list = append(list, Section{Name: "How values were worked out", Table: t, Notes: []string{"Arithmetic is exact; a value is rounded once, where its step says so."}})
	}
	return list
}

// reworked are the values that were worked out anew, each as it was worked out last.
func (r *Run) reworked() (list []*record.Reworked) {
	for _, c := range r.corrected {
		for i := range c.Worked {
			w := &c.Worked[i]
			if n := slices.IndexFunc(list, func(o *record.Reworked) bool { return o.Step == w.Step && o.Pass == w.Pass }); n >= 0 {
				list[n] = w
				continue
			}
			list = append(list, w)
		}
	}
	return list
}

// lastChange is the last change of the run, or nil.
func (r *Run) lastChange() *record.RunCorrected {
	_, _, by := r.now(r.Ended)
	return by
}

func (r *Run) changedResults() []record.RunResult {
	if by := r.lastChange(); by != nil {
		return append([]record.RunResult{}, by.Results...)
	}
	return nil
}

// resultSection lists results as they were found and, where something was changed since, as they are now. now nil: nothing was.
func resultSection(name string, e *record.RunEnded, now []record.RunResult) Section {
	s := Section{Name: name}
	if len(e.Results) == 0 {
		s.Notes = []string{"There is no result."}
		return s
	}
	heads := []Head{{"Result", 0.27, false}, {"Value", 0.19, true}, {"Limit", 0.26, false}, {"Verdict", 0.28, false}}
	if now != nil {
		heads = []Head{{"Result", 0.22, false}, {"As first worked out", 0.16, true}, {"As it stands", 0.16, true}, {"Limit", 0.2, false}, {"Verdict as it stands", 0.26, false}}
	}
	s.Table = &Table{Heads: heads}
	for i := range e.Results {
		first := &e.Results[i]
		row := Row{Cells: []string{resultName(first), resultText(first)}}
		as := first
		if now != nil {
			if as = sameResult(now, first); as == nil {
				row.Cells = append(row.Cells, "none any more", orNone(first.Limit), "none any more")
				s.Table.Rows = append(s.Table.Rows, row)
				continue
			}
			row.Cells = append(row.Cells, resultText(as))
		}
		verdict := strings.ToUpper(known(as.Verdict))
		if as.Verdict == record.CheckPassed {
			verdict = as.Verdict
		}
		if as.Allowed != "" {
			verdict += "; the run went on with it: " + as.Allowed
		}
		row.Cells = append(row.Cells, orNone(as.Limit), verdict)
		s.Table.Rows = append(s.Table.Rows, row)
	}
	return s
}

func sameResult(list []record.RunResult, r *record.RunResult) *record.RunResult {
	for i := range list {
		if list[i].Name == r.Name && itemKey(list[i].Item) == itemKey(r.Item) {
			return &list[i]
		}
	}
	return nil
}

func itemKey(i *record.RunItem) string {
	if i == nil {
		return ""
	}
	return fmt.Sprintf("%q %q %d", i.Sample, i.Container, i.Position)
}

func resultName(r *record.RunResult) string {
	text := cmp.Or(r.Label, r.Name)
	if r.Item != nil {
		text += "\n" + itemText(r.Item)
	}
	return text
}

func resultText(r *record.RunResult) string {
	if r.Digits == "" {
		return cmp.Or(r.Text, "no value")
	}
	return strings.TrimSpace(r.Digits + " " + unitText(r.Unit))
}

// longRatio is how many characters a fraction may have to be read by anybody on paper.
const longRatio = 40

// workedRow shows a calculation so that anybody can do it again with a pencil.
func workedRow(name string, w *record.Worked) Row {
	lines := []string{w.Formula}
	for _, in := range w.Inputs {
		lines = append(lines, in.Name+" = "+strings.Join(in.Value, "; "))
	}
	if len(w.Excluded) > 0 {
		lines = append(lines, "left out: "+strings.Join(w.Excluded, "; "))
	}
	for _, from := range w.Sources {
		lines = append(lines, "from "+from)
	}
	exact := w.Exact
	switch {
	case len(w.Ratio) > longRatio:
		exact += "\n(in full: in its entry)"
	case w.Ratio != "":
		exact += "\n(in full: " + w.Ratio + ")"
	}
	return Row{Cells: []string{name, strings.Join(lines, "\n"), exact, strings.TrimSpace(w.Rounded + "\n" + w.Rule)}}
}

// reworkedRow shows a value that was worked out anew, or why it cannot be any more.
func (r *Run) reworkedRow(w *record.Reworked) Row {
	name := cmp.Or(r.Labels[w.Step], w.Step)
	if w.Pass > 0 {
		name += fmt.Sprintf(" (%d)", w.Pass)
	}
	name = "WORKED OUT ANEW: " + name
	if w.Worked == nil {
		return Row{Cells: []string{name, known(w.Why), "none", cmp.Or(strings.TrimSpace(w.Value.Digits+" "+unitText(w.Value.Unit)), w.Value.Text, "no value")}}
	}
	row := workedRow(name, w.Worked)
	if w.Why != "" {
		row.Cells[1] += "\n" + w.Why
	}
	return row
}

// trail is what happened in the run, entry by entry.
func (r *Run) trail() Section { return trailSection(r.Entries) }
