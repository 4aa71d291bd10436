package report

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"weighpost/gateway/laboratory"
	"weighpost/gateway/record"
	"weighpost/gateway/signature"
)

// modelOf writes a run as a document of the laboratory model. The error says what that cannot hold.
func modelOf(r *Run) ([]byte, error) {
	results, _, _ := r.now(r.Ended)
	run := laboratory.Run{File: r.Ended.Run.ID, Site: r.Site, Version: r.Version, Title: r.Title, Begun: r.Begun, Ended: r.Ended, Results: results, About: r.modelFacts()}
	if r.Number != "" {
		run.File = r.Number
	}
	for i := range r.weighings {
		run.Weighings = append(run.Weighings, r.modelled(&r.weighings[i]))
	}
	for _, s := range r.standing() {
		if s.stands == force {
			run.Signatures = append(run.Signatures, s.sig)
		}
	}
	doc, err := r.Model.OfRun(&run)
	if err != nil {
		return nil, err
	}
	b, err := json.Marshal(doc)
	return append(b, '\n'), err
}

// modelled is a weighing with what became of it.
func (r *Run) modelled(w *weighed) laboratory.Weighing {
	used, out := r.fate(w)
	m := laboratory.Weighing{Weighing: &w.Weighing, NoMass: w.result, Sample: r.sampleOf(w), Out: out, About: []laboratory.Fact{{Label: "step", Text: used}}}
	if as := w.Context.Sample; as != nil && as.ID != m.Sample {
		m.About = append(m.About, laboratory.Fact{Label: "sample as recorded", Text: as.ID})
	}
	if w.late != nil {
		one := w.Weighing
		one.Stamp.UTC = w.late.Weighed // the stamp of a slip is that of its typing
		m.Weighing = &one
		m.About = append(m.About, laboratory.Fact{Label: "from a slip", Text: r.typedIn(w) + ", " + When(w.late.Stamp)})
	}
	for _, c := range r.changesOf(w.ID) {
		m.About = append(m.About, laboratory.Fact{Label: "changed after it was recorded", Text: r.changeText(c)})
	}
	return m
}

// sampleOf is the sample of a weighing as it stands: as it was amended, recorded, or else that of the item whose step used it; "": none.
func (r *Run) sampleOf(w *weighed) (sample string) {
	if w.Context.Sample != nil {
		sample = w.Context.Sample.ID
	}
	for _, c := range r.changesOf(w.ID) {
		if c.Change == record.CorrectAmend && c.Field == record.ItemSample {
			sample = c.After
		}
	}
	for _, s := range r.Steps {
		if sample == "" && s.Weighing != nil && s.Weighing.ID == w.ID && s.Item != nil {
			sample = s.Item.Sample
		}
	}
	return sample
}

func (r *Run) changeText(c *record.RunCorrected) string {
	what := c.Change
	if c.Change == record.CorrectAmend || c.Change == record.CorrectReread {
		what = changed(c)
	}
	return fmt.Sprintf("%s, by %s on %s: %s (entry %s)", what, known(c.By.Shown()), When(c.Stamp), because(c), c.ID)
}

// modelFacts are what the model has no names for, of the whole run.
func (r *Run) modelFacts() (list []laboratory.Fact) {
	add := func(label, format string, a ...any) {
		list = append(list, laboratory.Fact{Label: label, Text: fmt.Sprintf(format, a...)})
	}
	if r.Number == "" {
		add("not issued", "%s", NotIssued)
	}
	if i := r.Issued; i != nil {
		add("issued", "%s, by %s", zoned(i.Stamp), who(i.By))
	}
	if r.Replaces != "" {
		add("takes the place of report", "%s, because: %s", r.Replaces, r.Why)
	}
	_, verdict, by := r.now(r.Ended)
	add("state of the run", "%s", r.State())
	add("verdict of the run", "%s", known(verdict))
	if r.UnderAssessment != "" {
		add("under assessment", "the check %s failed later and covers weighings of this run; nobody has judged yet what that means", r.UnderAssessment)
	}
	if by != nil {
		add("verdict as first worked out", "%s", known(r.Ended.Verdict))
		for i := range r.Ended.Results {
			one := &r.Ended.Results[i]
			add("result as first worked out, "+strings.ReplaceAll(resultName(one), "\n", ", "), "%s; verdict: %s", resultText(one), one.Verdict)
		}
	}
	if q := r.Ended.Request; q != nil {
		add("request", "%s, by %s", q.ID, q.From)
	}
	for _, c := range r.corrected {
		if !slices.ContainsFunc(r.weighings, func(w weighed) bool { return w.ID == c.Of.ID }) {
			add("changed after it was recorded, entry "+c.Of.ID, "%s", r.changeText(c))
		}
	}
	for _, row := range r.unreadRows() {
		add(row.Cells[0]+" "+row.Cells[1], "%s", row.Cells[3])
	}
	for _, s := range r.standing() {
		add("signature "+s.sig.ID, "%s, %s, %s: %s: %s; covers %d entries up to %d, root %s; %s", s.sig.Name, s.sig.Role, zoned(s.sig.Stamp), s.sig.Meaning, signature.Meaning(s.sig.Meaning), s.sig.Covers.Entries, s.sig.Covers.Last, s.sig.Covers.Root, s.stands)
	}
	if len(r.Entries) > 0 {
		add("entries told of", "%d, with the sequences %s; root (RFC 6962, SHA-256) %s", len(r.Entries), Ranges(r.Entries), Root(r.Entries))
	}
	for _, c := range r.closing() {
		add("caution", "%s", c)
	}
	return list
}
