package report

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/record"
)

// Check is what is known of a check that has ended.
type Check struct {
	Begun    *record.CheckBegun // nil: it is not known any more
	Steps    []*record.CheckStep
	Ended    *record.CheckEnded
	Followed *record.FitnessChanged // the state that followed; nil: none did, or it is not known
	Proof    Proof
	Version  string // of the software that writes the report
}

// Made is the stamp of the last entry that the report tells of, as of every report: the same check gives the same bytes.
func (c *Check) Made() time.Time {
	at := c.Ended.Stamp.UTC.Time()
	if f := c.Followed; f != nil && f.Stamp.UTC.Time().After(at) {
		at = f.Stamp.UTC.Time()
	}
	return at
}

// last is the sequence of the last entry that it tells of.
func (c *Check) last() uint64 {
	if c.Followed != nil {
		return max(c.Ended.Seq, c.Followed.Seq)
	}
	return c.Ended.Seq
}

// Proof is where the end of a check stands in the journal.
type Proof struct {
	Leaf       string // hash of the entry's bytes (RFC 6962, section 2.1), hexadecimal; "": not known
	Key        string // name and number of the key that signed the checkpoint
	Checkpoint string // the signed note, verbatim; "": none covers the entry yet
	Missing    string // why there is no more, in a sentence
}

// Caution stands on every report.
const Caution = "This check supports the calibration of the balance by a competent body and never replaces it. Legal metrology and the duties of a " +
	"pharmacopoeia stay with the laboratory. A balance on a serial line cannot be kept from showing a weight: whether it is used is for people to see to."

// Outcomes are the outcomes of a check in words for people.
var Outcomes = map[string]string{
	record.CheckPassed: "PASSED", record.CheckWarned: "PASSED WITH A WARNING", record.CheckFailed: "FAILED", record.CheckAborted: "NO VERDICT",
}

var outcomeSays = map[string]string{
	record.CheckPassed:  "Every result that is judged is within its warning limit.",
	record.CheckWarned:  "Every result that is judged is within its action limit, and at least one is beyond its warning limit.",
	record.CheckFailed:  "At least one result is beyond its action limit.",
	record.CheckAborted: "It ended before there was a verdict. It says nothing of the balance, neither good nor bad.",
}

// Document writes the report of a check.
func (c *Check) Document() *Document {
	e := c.Ended
	d := &Document{Title: "Check of balance " + e.Balance.ID, Under: []string{fmt.Sprintf("Check %s: %s, at %s", e.Check.ID, e.Check.Definition, e.Site)},
		Outcome: cmp.Or(Outcomes[e.Outcome], strings.ToUpper(e.Outcome)), Mark: e.Outcome,
		Foot: fmt.Sprintf("%s · %s · as of entry %d · by weighpost %s", e.Check.ID, e.Site, c.last(), c.Version)}
	if says := outcomeSays[e.Outcome]; says != "" {
		d.Lead = append(d.Lead, says)
	}
	if e.Reason != "" {
		d.Lead = append(d.Lead, "Reason: "+e.Reason)
	}
	if e.Outcome == record.CheckFailed {
		d.Lead = append(d.Lead, "What was weighed since the last good check of this kind is in doubt until somebody has judged it.")
	}
	d.Parts = append(d.Parts, c.balance(), c.check(), c.results())
	if b := c.budget(); b != nil {
		d.Parts = append(d.Parts, *b)
	}
	d.Parts = append(d.Parts, c.weights(), c.steps(), c.proof(), Section{Name: "What this report is not", Notes: []string{Caution}})
	return d
}

func (c *Check) balance() Section {
	b := c.Ended.Balance
	class := unknown
	if c.Begun != nil && c.Begun.Class != "" {
		class = c.Begun.Class + " (OIML R 76-1)"
	}
	interval := known(b.VerificationInterval)
	if b.VerificationInterval == "" {
		interval = "not known: it is taken for not verified"
	}
	return Section{Name: "Balance", Facts: []Fact{{"Balance", b.ID}, {"Serial number", known(b.Serial)}, {"Place", known(b.Place)},
		{"Readability d", known(b.Readability)}, {"Verification interval e", interval}, {"Accuracy class", class}, {"Capacity", known(b.Capacity)}}}
}

var whys = map[string]string{record.CheckScheduled: "it was due by its schedule", record.CheckAsked: "somebody asked for it", record.CheckAsFound: "as found: before an adjustment or a repair",
	record.CheckAsLeft: "as left: after an adjustment or a repair", record.CheckMoved: "the balance had been moved"}

func (c *Check) check() Section {
	e := c.Ended
	s := Section{Name: "Check", Facts: []Fact{{"Check", e.Check.Definition}, {"Definition", known(e.Check.Hash)}, {"Why", cmp.Or(whys[e.Why], known(e.Why))}}}
	if c.Begun != nil {
		s.Facts = append(s.Facts, Fact{"Begun", When(c.Begun.Stamp)}, Fact{"Begun by", who(c.Begun.By)})
	} else {
		s.Facts = append(s.Facts, Fact{"Begun", "not known: entry " + e.Begun.ID + " says it"})
	}
	s.Facts = append(s.Facts, Fact{"Ended", When(e.Stamp)}, Fact{"Ended by", who(e.By)})
	least := "none was looked for"
	if m := e.MinimumWeight; m != nil {
		least = string(m.Mass) + ", by " + m.Source + ". It is not Min of OIML R 76-1"
	}
	s.Facts = append(s.Facts, Fact{"Minimum weight found", least}, Fact{"State that followed", c.followed()})
	return s
}

func (c *Check) followed() string {
	f := c.Followed
	if f == nil {
		return unknown
	}
	text := f.State + ", from " + When(f.Stamp)
	if f.Reason != "" {
		text += ": " + f.Reason
	}
	return text
}

// who names somebody with the way in which they were known.
func who(a record.Actor) string {
	text := known(a.Shown())
	if a.ID != "" && a.ID != text {
		text += " (" + a.ID + ")"
	}
	if a.Role != "" {
		text += ", " + a.Role
	}
	if a.By != "" {
		text += ", known by: " + a.By
	}
	return text
}

// When writes a stamp: the local time of the place, UTC, how far it may be off, and the state of the clock.
func When(s record.Stamp) string {
	utc := s.UTC.Time()
	if utc.IsZero() {
		return unknown
	}
	text := utc.UTC().Format("2006-01-02 15:04:05.000") + " UTC"
	if there, known := s.There(); known {
		text = there.Format("2006-01-02 15:04:05.000 -07:00") + " (" + utc.UTC().Format("15:04:05.000") + " UTC)"
	}
	bound := "how far it may be off is not known"
	if s.Bound != nil {
		if b, err := json.Marshal(*s.Bound); err == nil {
			bound = "± " + string(b) + " s"
		}
	}
	return text + ", " + bound + ", clock " + known(s.Clock)
}

func (c *Check) results() Section {
	s := Section{Name: "Results"}
	if len(c.Ended.Results) == 0 {
		s.Notes = []string{"There is no result."}
		return s
	}
	t := &Table{Heads: []Head{{"Result", 0.19, false}, {"Value, rounded", 0.12, true}, {"Before rounding", 0.17, true}, {"Warning limit", 0.11, true}, {"Action limit", 0.11, true},
		{"Verdict", 0.09, false}, {"Limit and uncertainty from", 0.21, false}}}
	var rules []string
	for _, r := range c.Ended.Results {
		from := r.From
		if r.Uncertainty != "" {
			from = strings.TrimSpace(from + "\nU: " + r.Uncertainty)
		}
		t.Rows = append(t.Rows, Row{Cells: []string{r.Name, r.Value, r.Exact, orNone(r.Warn), orNone(r.Limit), r.Verdict, orNone(from)}})
		if rule := fmt.Sprintf("%s: rounded %s.", r.Name, known(r.Rounded)); !slices.Contains(rules, rule) {
			rules = append(rules, rule)
		}
	}
	s.Table = t
	s.Notes = append([]string{"Results are held against their limits without their sign, and before they are rounded."}, sameRule(c.Ended.Results, rules)...)
	for _, r := range c.Ended.Results {
		if strings.Contains(r.From, "from memory") {
			s.Notes = append(s.Notes, "A limit here comes from a document that could not be held against this software: hold the document against it before relying on it.")
			break
		}
	}
	return s
}

// sameRule says the rule of rounding once where all results have the same, and of each where they differ.
func sameRule(results []record.CheckResult, rules []string) []string {
	first := results[0].Rounded
	if slices.ContainsFunc(results, func(r record.CheckResult) bool { return r.Rounded != first }) {
		return rules
	}
	return []string{fmt.Sprintf("Rounding: %s.", known(first))}
}

func orNone(s string) string { return cmp.Or(s, "none") }

// budget is the table of what an uncertainty is made of, where the check worked one out.
func (c *Check) budget() *Section {
	t := &Table{Heads: []Head{{"Result", 0.24, false}, {"Part", 0.28, false}, {"Spread", 0.14, false}, {"Standard uncertainty", 0.2, true}, {"Share of the variance", 0.14, true}}}
	for _, r := range c.Ended.Results {
		for _, p := range r.Budget {
			t.Rows = append(t.Rows, Row{Cells: []string{r.Name, p.Name, p.Spread, p.Standard, p.Share}})
		}
	}
	if len(t.Rows) == 0 {
		return nil
	}
	return &Section{Name: "Uncertainty budget (JCGM 100:2008)", Table: t, Notes: []string{"What a budget leaves out stands beside the uncertainty under Results."}}
}

func (c *Check) weights() Section {
	s := Section{Name: "Reference weights used, as the register had them"}
	if len(c.Ended.Weights) == 0 {
		s.Notes = []string{"None is recorded."}
		return s
	}
	t := &Table{Heads: []Head{{"Weight", 0.16, false}, {"Nominal, class", 0.11, false}, {"Conventional mass", 0.16, true}, {"Uncertainty", 0.13, true}, {"Certificate", 0.22, false}, {"Doubt, register", 0.22, false}}}
	for _, w := range c.Ended.Weights {
		t.Rows = append(t.Rows, Row{Cells: []string{weightName(w), strings.TrimSpace(string(w.Nominal) + "\n" + cmp.Or(w.Class, "class not known")), conventional(w), uncertainty(w), CertificateText(w.Certificate), weightDoubt(w)}})
	}
	s.Table = t
	return s
}

func weightName(w record.WeightUsed) string {
	text := w.ID
	if w.Set != "" {
		text += "\nset " + w.Set
	}
	if w.Serial != "" {
		text += "\nserial " + w.Serial
	}
	return text
}

func conventional(w record.WeightUsed) string {
	if w.Conventional == "" {
		return "not known: the nominal mass was taken"
	}
	return string(w.Conventional)
}

func uncertainty(w record.WeightUsed) string {
	if w.Uncertainty == "" {
		return unknown
	}
	return string(w.Uncertainty) + "\n(k = " + known(w.CoverageFactor) + ")"
}

// CertificateText says number, laboratory, date, due date and file of a certificate, each as known or not.
func CertificateText(c *record.Certificate) string {
	if c == nil {
		return "none registered"
	}
	lines := []string{"no. " + known(c.Number)}
	if c.By != "" {
		lines = append(lines, "by "+c.By)
	}
	lines = append(lines, "of "+known(c.Date), "due "+known(c.Due))
	if c.File != nil {
		lines = append(lines, "file "+c.File.Name+", sha256 "+c.File.SHA256)
	}
	return strings.Join(lines, "\n")
}

func weightDoubt(w record.WeightUsed) string {
	doubt := "no doubt was noted"
	if w.Doubt != "" {
		doubt = "DOUBT: " + w.Doubt
	}
	return doubt + "\nby entry " + known(w.Entry)
}

func (c *Check) steps() Section {
	s := Section{Name: "Steps, with every attempt"}
	t := &Table{Heads: []Head{{"Step", 0.18, false}, {timeHead, 0.205, false}, {"Expected", 0.12, true}, {"As printed", 0.13, true}, {"What became of it", 0.365, false}}}
	out := 0
	for i, one := range c.Steps {
		row := Row{Cells: []string{fmt.Sprintf("%d %s, attempt %d", one.Step, one.Name, one.Attempt), stepTime(one.Stamp), orNone(string(one.Expected)), printed(one), became(one)}, Out: !c.counts(i)}
		if row.Out {
			out++
			row.Cells[4] = "DOES NOT COUNT: " + row.Cells[4]
		}
		t.Rows = append(t.Rows, row)
	}
	if s.Table = t; len(t.Rows) == 0 {
		s.Table, s.Notes = nil, []string{"No step was taken."}
	}
	if n := len(c.Ended.Steps); n != len(c.Steps) {
		s.Notes = append(s.Notes, fmt.Sprintf("The check has %d attempts, and %d of them could be read. Entries: %s.", n, len(c.Steps), entryList(c.Ended.Steps)))
	}
	if out > 0 {
		s.Notes = append(s.Notes, fmt.Sprintf("%d of %d attempts do not count. They are in the journal like the others.", out, len(c.Steps)))
	}
	return s
}

func entryList(refs []record.EntryRef) string {
	var ids []string
	for _, r := range refs {
		ids = append(ids, r.ID)
	}
	return strings.Join(ids, ", ")
}

// counts says whether an attempt counts: it was taken or answered, and no later entry replaces it.
func (c *Check) counts(i int) bool {
	one := c.Steps[i]
	if one.Became != record.AttemptTaken && one.Became != record.AttemptAnswered {
		return false
	}
	for _, later := range c.Steps[i+1:] {
		if later.Step == one.Step && later.Became == record.AttemptReplaced && later.Attempt == one.Attempt {
			return false
		}
	}
	return true
}

// timeHead is the head of a column of stepTime.
const timeHead = "Time, ±, clock"

// stepTime writes a stamp for a column, in two lines: the local time of the place; its offset from UTC, how far it may be off, and the clock.
func stepTime(s record.Stamp) string {
	utc := s.UTC.Time()
	if utc.IsZero() {
		return unknown
	}
	at, offset := utc.UTC(), "UTC"
	if there, known := s.There(); known {
		at, offset = there, there.Format("-07:00")
	}
	bound := "± unknown"
	if s.Bound != nil {
		if b, err := json.Marshal(*s.Bound); err == nil {
			bound = "± " + string(b) + " s"
		}
	}
	return at.Format("2006-01-02 15:04:05.000") + "\n" + offset + ", " + bound + ", " + known(s.Clock)
}

func printed(s *record.CheckStep) string {
	switch {
	case s.Answer != "":
		return s.Answer
	case s.Value == nil:
		return "none"
	case s.Value.Digits == "":
		return s.Value.Range + " range"
	}
	return s.Value.Shown()
}

func became(s *record.CheckStep) string {
	text := map[string]string{record.AttemptTaken: "taken", record.AttemptReplaced: "replaced by a repeat", record.AttemptDoubted: "far from what was expected, so the person was asked",
		record.AttemptAnswered: "answered"}[s.Became]
	text = cmp.Or(text, s.Became)
	if s.Settled != "" {
		text += "; known as settled by: " + s.Settled
	}
	if len(s.Weights) > 0 {
		text += "; on the pan: " + strings.Join(s.Weights, ", ")
	}
	if s.Reason != "" && s.Became == record.AttemptAnswered {
		text += ": " + s.Reason
	} else if s.Reason != "" {
		text += "; reason: " + s.Reason
	}
	return text + "; by " + known(s.By.Shown()) + "; entry " + s.ID
}

func (c *Check) proof() Section {
	e, p := c.Ended, c.Proof
	s := Section{Name: "Proof", Facts: []Fact{{"Entry", e.ID}, {"Sequence", fmt.Sprint(e.Seq)}, {"Leaf hash (RFC 6962, SHA-256)", known(p.Leaf)},
		{"Signed by the key", known(p.Key)}, {"To have the proof", "weighpost journal prove " + e.ID}}}
	if p.Checkpoint != "" {
		s.Notes = append(s.Notes, "The checkpoint that covers the entry. The signature shows something only to whoever has the key from elsewhere.", strings.TrimRight(p.Checkpoint, "\n"))
	}
	if p.Missing != "" {
		s.Notes = append(s.Notes, p.Missing)
	}
	return s
}
