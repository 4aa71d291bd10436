package report_test

import (
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/record"
	"weighpost/gateway/report"
	"weighpost/parsers/strict"
)

// faultsOf reads templates as a person writes them.
func faultsOf(text string) (report.Config, strict.Faults) {
	var c struct {
		Reports report.Config `yaml:"reports"`
	}
	doc, faults := strict.Load("lab.yaml", []byte(text), &c)
	r := doc.Report()
	c.Reports.Check(r.At("reports"))
	return c.Reports, append(faults, r.Faults()...)
}

// TestEveryMistakeOfATemplateIsToldAtOnce, each at its place.
func TestEveryMistakeOfATemplateIsToldAtOnce(t *testing.T) {
	t.Parallel()
	_, faults := faultsOf(`reports:
  templates:
  - name: Our Run
    for: run
    blocks:
    - block: facts
    - block: header
    - block: sums
    - block: facts
    - block: text
    - block: weighings
      text: not here
  - name: built-in
    for: check
    blocks: [{block: header}, {block: trail}, {block: proof}]
  - name: ours
    for: week
  - name: twice
    for: trail
    title: ` + strings.Repeat("x", 201) + `
    blocks: [{block: header}, {block: proof}]
  - name: twice
    for: trail
    blocks: [{block: header}, {block: proof}]
`)
	said := faults.Error()
	for _, want := range []string{"3:11: reports.templates[0].name", "the first block is not the header", `"sums" is none of what is known`, "the block facts stands here twice", "[4].text: is missing", "is for the blocks header and text",
		"the block excluded is missing: without it weighings that do not count", "the block signatures is missing", "the block proof is missing", "is the name of the templates that come with weighpost", "a report of a check has no block trail",
		`"week" is none of what is known`, "has 201 characters", `there is another template "twice" for a trail`} {
		if !strings.Contains(said, want) {
			t.Errorf("%q is not said", want)
		}
	}
	if t.Failed() {
		t.Log(said)
	}
}

// TestALabsOwnTemplate orders the blocks and words of a report. What a template leaves out is not there, and its hash is another.
func TestALabsOwnTemplate(t *testing.T) {
	t.Parallel()
	c, faults := faultsOf(`reports:
  templates:
  - name: ours
    for: run
    title: Certificate of weighing
    blocks:
    - {block: header, text: "Regional seed bank\nold granary, room 3"}
    - {block: signatures, heading: Who signed}
    - {block: text, heading: How to read this, text: Each weight is shown as it was printed.}
    - {block: excluded}
    - {block: proof}
`)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	r := run(t)
	r.Template, _ = c.Template(report.OfRun, "")
	d := report.Compose(r)
	var names []string
	for _, p := range d.Parts {
		names = append(names, p.Name)
	}
	if got := strings.Join(names, "; "); got != "Who signed; How to read this; What does not count, and why; Changes after the weighing; Proof; What this report is not" {
		t.Error(got)
	}
	if d.Title != "Certificate of weighing" || !slices.Contains(d.Under, "Run r-7qx3-000017: Thousand-seed weight") || !slices.Contains(d.Under, "Regional seed bank\nold granary, room 3") {
		t.Errorf("%q %q", d.Title, d.Under)
	}
	plain, _ := c.Template(report.OfRun, report.BuiltIn)
	if plain.Hash() == r.Template.Hash() || !slices.Equal(c.Names(report.OfRun), []string{"ours", report.BuiltIn}) {
		t.Errorf("%s %q", plain.Hash(), c.Names(report.OfRun))
	}
	for _, of := range report.Kinds() {
		one, err := c.Template(of, report.BuiltIn)
		if err != nil {
			t.Fatal(err)
		}
		one.Name = "as-it-comes"
		as := report.Config{Templates: []report.Template{one}}
		at := strict.NewReport("lab.yaml")
		if as.Check(at); len(at.Faults()) > 0 {
			t.Errorf("the template of weighpost for a %s: %v", of, at.Faults())
		}
	}
	if _, err := c.Template(report.OfDay, "ours"); err == nil {
		t.Error("a template for runs is one for days")
	}
}

// TestAPreviewSaysSoOnEveryPage, and an issued report nowhere.
func TestAPreviewSaysSoOnEveryPage(t *testing.T) {
	t.Parallel()
	r := run(t)
	r.Number = ""
	pages := strings.Split(strings.TrimSuffix(tool(t, "pdftotext", "-layout", sheet(t, r), "-"), "\f"), "\f")
	for i, p := range pages {
		if !strings.Contains(p, report.NotIssued) || !strings.Contains(p, "not issued") {
			t.Errorf("page %d: %.200s", i+1, p)
		}
	}
	r.Number = "rep-1"
	if d := report.Compose(r); d.Draft {
		t.Error("an issued report says that it is none")
	}
}

// TestStatisticsOfAReport are those of the e-Handbook of Statistical Methods (NIST/SEMATECH), 6.3.2.2: of its ten flow rates it prints the
// mean, 50.81; s follows from them: the squares of the deviations add up to 37.229, and √(37.229/9) = 2.03385, worked out apart from this code.
func TestStatisticsOfAReport(t *testing.T) {
	t.Parallel()
	s := storied()
	var steps []report.RunStep
	for i, x := range []string{"49.6", "47.6", "49.9", "51.3", "47.8", "51.2", "52.6", "52.4", "53.6", "52.1"} {
		steps = append(steps, report.RunStep{Counts: true, RunStep: &record.RunStep{Head: head(uint64(400 + i)), Step: "flow", Pass: i + 1, Became: record.StepTaken, Value: &record.RunValue{Digits: x, Unit: "mL/min"}}})
	}
	s.Steps, s.Entries = steps, nil
	r, err := report.NewRun(*s)
	if err != nil {
		t.Fatal(err)
	}
	issued(&r.Told, report.OfRun)
	row := part(t, report.Compose(r), "Statistics").Table.Rows[0]
	if want := []string{"flow", "10", "50.81 mL/min", "2.03 mL/min", "4.00", "47.6 mL/min", "53.6 mL/min"}; !slices.Equal(row.Cells, want) {
		t.Errorf("%q, not %q", row.Cells, want)
	}
}
