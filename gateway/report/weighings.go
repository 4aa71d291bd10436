package report

import (
	"cmp"
	"fmt"
	"strings"

	"weighpost/gateway/record"
)

// weighingHeads are the columns of a table of weighings.
var weighingHeads = []Head{{"Weighing", 0.14, false}, {timeHead, 0.205, false}, {"Balance", 0.08, false}, {"Sample", 0.12, false}, {"As printed", 0.14, true}, {"Step, person, and what became of it", 0.315, false}}

// weighingTable lists weighings, those that do not count too. fate says what a report knows of one: what it was used for, and why it does
// not count; "": it counts.
func (s *sorted) weighingTable(fate func(*weighed) (used, out string)) (t *Table, out int) {
	t = &Table{Heads: weighingHeads}
	for i := range s.weighings {
		w := &s.weighings[i]
		used, why := fate(w)
		row := Row{Cells: []string{w.ID, stepTime(w.Stamp), w.Balance.ID, s.sampleNow(w), printedOf(&w.Value), s.became(w, used, why)}, Out: why != ""}
		if row.Out {
			out++
		}
		t.Rows = append(t.Rows, row)
	}
	return t, out
}

// out says why a weighing does not count, whatever a run makes of it; "" where nothing says so.
func (s *sorted) out(w *weighed) string {
	if c := s.exclusion(w.ID); c != nil {
		return fmt.Sprintf("excluded by %s on %s: %s", known(c.By.Shown()), when(c.Stamp), because(c))
	}
	if d := s.turnedDown[w.ID]; d != nil {
		return fmt.Sprintf("the slip was turned down by %s: %s", known(d.By.Shown()), known(d.Reason))
	}
	return ""
}

// sampleNow is the sample as it is known now: an amendment stands beside what was recorded, and never in its place.
func (s *sorted) sampleNow(w *weighed) string {
	text := learnt(w.Context.Sample)
	for _, c := range s.changesOf(w.ID) {
		if c.Change == record.CorrectAmend && c.Field == record.ItemSample {
			text = fmt.Sprintf("%s\n(recorded: %s)", known(c.After), known(c.Before))
		}
	}
	return text
}

func learnt(l *record.Learnt) string {
	if l == nil {
		return "none"
	}
	return known(l.ID)
}

// printedOf is a value as the balance printed it.
func printedOf(v *record.Value) string {
	if v.Digits == "" {
		return v.Range + " range: no value"
	}
	text := v.Shown()
	if v.Kind != "" && v.Kind != "unknown" {
		text += "\n" + v.Kind
	}
	if v.Stability == "unstable" {
		text += "\nUNSTABLE"
	}
	return text
}

// became says what a weighing was for, whose it is, and everything that throws doubt on it.
func (s *sorted) became(w *weighed, used, out string) string {
	var parts []string
	if out != "" {
		parts = append(parts, "DOES NOT COUNT: "+out)
	}
	if used != "" {
		parts = append(parts, used)
	}
	person := "person not known"
	if p := w.Context.Person; p != nil {
		person = "by " + cmp.Or(p.Name, p.ID)
	}
	parts = append(parts, person)
	if w.late != nil {
		parts = append(parts, s.typedIn(w))
	}
	if w.result {
		parts = append(parts, "no mass")
	}
	for _, v := range w.Verdicts {
		if v.Failed() {
			parts = append(parts, strings.TrimSpace(fmt.Sprintf("FAILED %s %s", v.Rule, v.Why)))
		}
	}
	switch state := w.Fitness.State; {
	case w.late != nil || state == "" || state == record.InService:
	case state == record.FitnessUnknown:
		parts = append(parts, "fitness of the balance not known")
	case state == record.CheckDue, state == record.CheckOverdue:
		parts = append(parts, "check of the balance "+state)
	default:
		parts = append(parts, "balance "+state)
	}
	if w.Balance.Identity == "unconfirmed" {
		parts = append(parts, "which balance it was is not confirmed")
	}
	for _, c := range s.changesOf(w.ID) {
		if c.Change == record.CorrectAmend || c.Change == record.CorrectReread {
			parts = append(parts, changed(c)+" (see the changes)")
		}
	}
	return strings.Join(parts, "; ")
}

func (s *sorted) typedIn(w *weighed) string {
	text := "typed in from its slip by " + known(w.late.By.Shown()) + ": " + known(w.late.Reason)
	if d := s.confirmed[w.ID]; d != nil {
		return text + "; confirmed by " + known(d.By.Shown())
	}
	return text + "; NOT CONFIRMED by a second person"
}

// changed says what a change of context or a new reading did.
func changed(c *record.RunCorrected) string {
	if c.Change == record.CorrectReread {
		return fmt.Sprintf("read anew: %s was read as %s", known(c.After), known(c.Before))
	}
	return fmt.Sprintf("%s amended: %s was recorded as %s", known(c.Field), known(c.After), known(c.Before))
}

// when is a stamp in short: the local time of the place, with its offset.
func when(s record.Stamp) string {
	day, _, _ := strings.Cut(When(s), " (")
	return day
}

// changes is the section of everything that was changed after it was recorded: what it said, what it says now, who, when and why.
func changes(corrected []*record.RunCorrected) *Section {
	if len(corrected) == 0 {
		return nil
	}
	t := &Table{Heads: []Head{{"Entry", 0.2, false}, {"What", 0.1, false}, {"As recorded", 0.14, false}, {"From here on", 0.14, false}, {"Why", 0.2, false}, {"Who, when, entry", 0.22, false}}}
	for _, c := range corrected {
		what, before, after := c.Change, "counts", "does not count"
		switch c.Change {
		case record.CorrectInclude:
			before, after = after, before
		case record.CorrectAmend, record.CorrectReread:
			what, before, after = strings.TrimSpace(c.Change+" "+c.Field), known(c.Before), known(c.After)
		}
		t.Rows = append(t.Rows, Row{Cells: []string{c.Of.ID, what, before, after, because(c), known(c.By.Shown()) + ", " + when(c.Stamp) + "\n" + c.ID}})
	}
	return &Section{Name: "Changes after the weighing", Table: t, Notes: []string{"What was recorded stays in the journal as it was. Digits, units, stamps and frames are never changed: a frame that is read anew is the frame as it was received."}}
}

// unreadRows tell of what balances sent and nobody could read.
func (s *sorted) unreadRows() (rows []Row) {
	for _, u := range s.unread {
		rows = append(rows, Row{Cells: []string{"unread frame", u.ID, stepTime(u.Stamp), fmt.Sprintf("balance %s sent %d bytes that were not read as a weighing: %s", u.Balance.ID, len(u.Frame), known(u.Reason))}, Out: true})
	}
	for _, u := range s.unreadMore {
		rows = append(rows, Row{Cells: []string{"unread frames", u.ID, stepTime(u.To), fmt.Sprintf("balance %s sent %d frames in a minute that were not read as weighings: %s", u.Balance.ID, u.Frames, known(u.Reason))}, Out: true})
	}
	return rows
}

// excludedSection is what does not count, as rows of what, entry, time and why.
func excludedSection(rows []Row, nothing string) Section {
	s := Section{Name: "What does not count, and why"}
	if len(rows) == 0 {
		s.Notes = []string{nothing}
		return s
	}
	s.Table = &Table{Heads: []Head{{"What", 0.16, false}, {"Entry", 0.2, false}, {timeHead, 0.205, false}, {"Why", 0.435, false}}, Rows: rows}
	s.Notes = []string{"All of it stays in the journal."}
	return s
}
