package qualification

import (
	"fmt"
	"io"
	"strings"
	"time"

	"weighpost/gateway/report"
)

// titles are the groups as headings.
var titles = map[string]string{
	"installation": "Installation", "clock": "Clock", "ports": "Ports", "journal": "Journal", "backup": "Backup and restore",
	"sinks": "Destinations", "roles": "Roles and rights", "kill": "Kill and power",
}

// Write puts the report on paper, as a PDF. sum is the SHA-256 of the same report as data, in hexadecimal, name that file's.
func (r *Report) Write(w io.Writer, name, sum string) error {
	return r.document(name, sum).Write(w, r.Program.Version, r.Ended.UTC.Time())
}

func (r *Report) document(name, sum string) *report.Document {
	d := &report.Document{
		Title:   "Qualification tests of weighpost at " + r.Site,
		Under:   []string{"Report " + r.ID, "Done by " + r.By.words() + ", " + r.Begun.UTC.Time().UTC().Format("2006-01-02 15:04:05 UTC") + " to " + r.Ended.UTC.Time().UTC().Format("15:04:05 UTC")},
		Outcome: fmt.Sprintf("%d passed, %d failed, %d not done", r.Summary.Passed, r.Summary.Failed, r.Summary.NotDone),
		Lead:    []string{r.Verdict, "These tests qualify no laboratory: whether they are enough is for the lab's quality system and qualified people to judge."},
		Foot:    r.ID + " · data: " + name + " sha256 " + sum,
		End:     "End of report " + r.ID + ". It counts as a whole, together with its data and its signature.",
	}
	d.Parts = append(d.Parts, r.aboutSection(name, sum), r.overview())
	for _, group := range Groups() {
		d.Parts = append(d.Parts, r.groupSections(group)...)
	}
	d.Parts = append(d.Parts, report.Section{Name: "What this report does not show", Notes: r.Limits}, r.byHand())
	return d
}

func (p Person) words() string {
	if p.Name == "" || p.Name == p.Account {
		return p.Account
	}
	return p.Name + " (account " + p.Account + " of the system)"
}

// words writes a time with how sure it is.
func (w When) words() string {
	text := w.UTC.Time().UTC().Format("2006-01-02T15:04:05.000000Z")
	if w.Bound == nil {
		return text + ", by a clock that is " + w.Clock + ": no error bound is known"
	}
	return fmt.Sprintf("%s ± %s s, clock %s", text, seconds(time.Duration(*w.Bound)), w.Clock)
}

func seconds(d time.Duration) string { return fmt.Sprintf("%.3f", d.Seconds()) }

func (r *Report) aboutSection(name, sum string) report.Section {
	commit := r.Program.Commit
	switch {
	case commit == "":
		commit = "not known: it was built without one"
	case r.Program.Changed:
		commit += ", with changes that are in no commit"
	}
	return report.Section{Name: "What was tried out", Facts: []report.Fact{
		{Name: "program", Value: "weighpost " + r.Program.Version}, {Name: "commit", Value: commit}, {Name: "its file", Value: r.Program.File},
		{Name: "SHA-256 of it", Value: r.Program.SHA256}, {Name: "built for", Value: r.Program.Build},
		{Name: "computer", Value: r.Host.Name + ", " + r.Host.System}, {Name: "configuration", Value: r.Config.File + ", " + r.Config.Hash},
		{Name: "journal", Value: r.Journal}, {Name: "daemon", Value: r.Daemon}, {Name: "asked for", Value: r.Asked},
		{Name: "begun", Value: r.Begun.words()}, {Name: "ended", Value: r.Ended.words()},
		{Name: "the same as data", Value: name + ", SHA-256 " + sum},
		{Name: "signature", Value: "in the file " + strings.TrimSuffix(name, ".json") + ".note, by the journal's key; weighpost validate qualification verifies it"},
	}}
}

// overview is one line a test.
func (r *Report) overview() report.Section {
	t := &report.Table{Heads: []report.Head{{Name: "test", Share: 0.3}, {Name: "outcome", Share: 0.12}, {Name: "clauses", Share: 0.58}}}
	for i := range r.Tests {
		one := &r.Tests[i]
		t.Rows = append(t.Rows, report.Row{Cells: []string{one.ID, one.Outcome, clauses(one.Clauses)}})
	}
	return report.Section{Name: "Overview", Table: t}
}

func clauses(list []Clause) string {
	words := make([]string, len(list))
	for i, c := range list {
		words[i] = c.Words()
	}
	return strings.Join(words, "; ")
}

// groupSections tells each test of a group.
func (r *Report) groupSections(group string) (parts []report.Section) {
	for i := range r.Tests {
		t := &r.Tests[i]
		if t.Group() != group {
			continue
		}
		facts := []report.Fact{{Name: "outcome", Value: strings.ToUpper(t.Outcome)}}
		if t.Why != "" {
			facts = append(facts, report.Fact{Name: "why", Value: t.Why})
		}
		facts = append(facts, report.Fact{Name: "requirement", Value: t.Requirement})
		for _, f := range []report.Fact{{Name: "tried", Value: t.Tried}, {Name: "expected", Value: t.Expected}, {Name: "seen", Value: t.Seen}} {
			if f.Value != "" {
				facts = append(facts, f)
			}
		}
		facts = append(facts, report.Fact{Name: "supports", Value: clauses(t.Clauses)},
			report.Fact{Name: "when", Value: t.Begun.Time().UTC().Format("15:04:05.000") + " to " + t.Ended.Time().UTC().Format("15:04:05.000 UTC")})
		parts = append(parts, report.Section{Name: titles[group] + ": " + t.ID, Facts: facts})
	}
	return parts
}

// byHand is what people write under it.
func (r *Report) byHand() report.Section {
	const line = "\n………………………………………………………………………………………………"
	return report.Section{Name: "Judged by", Notes: []string{"What was decided about each test that failed or was not done:" + line},
		Facts: []report.Fact{{Name: "done by (name, date, signature)", Value: line}, {Name: "reviewed by", Value: line}, {Name: "approved for use by", Value: line}}}
}
