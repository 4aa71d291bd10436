package format

import (
	"encoding/csv"
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/record"
)

// TestWhatIsNotJudgedGoesOutAsThat: in CSV with its reason, and in a template as a field of its own.
func TestWhatIsNotJudgedGoesOutAsThat(t *testing.T) {
	w := record.Weighing{Verdicts: []record.Verdict{{Rule: "minimum-weight", NotJudged: true, Why: "it is gross"},
		{Rule: "minimum-weight", Pass: true, Limit: "0.02 g", From: "set by the lab"}}, Fitness: record.Fitness{State: record.OutOfService, Held: true}}
	raw, err := json.Marshal(&w)
	if err != nil {
		t.Fatal(err)
	}
	e := record.Entry{Kind: record.KindWeighing, ID: "seed-bank/7qx3/b-12/000001", Balance: "b-12", JSON: raw}
	fields := make([]string, 0, len(columns))
	for _, c := range columns {
		fields = append(fields, c.value(&w))
	}
	row, err := csv.NewReader(strings.NewReader(string(AppendCSV(nil, fields)))).Read()
	if err != nil {
		t.Fatal(err)
	}
	var back []record.Verdict
	if err := json.Unmarshal([]byte(row[slices.Index(CSVHeader(), "verdicts")]), &back); err != nil || !slices.Equal(back, w.Verdicts) {
		t.Errorf("in CSV: %+v %v", back, err)
	}
	if got := row[slices.Index(CSVHeader(), "fitness")]; got != record.OutOfService {
		t.Errorf("the fitness in CSV is %q", got)
	}
	held, known := columnNamed("held")
	if !known || held.value(&w) != "true" || held.value(&record.Weighing{}) != "false" || slices.Contains(CSVHeader(), "held") {
		t.Errorf("the column held: %v", known)
	}
	text := "{{range .verdicts}}{{if has . \"not_judged\"}}not judged: {{.why}}{{else if .pass}}ok {{.limit}} {{.from}}{{else}}NO{{end}};{{end}}{{.fitness.state}}{{if has .fitness \"held\"}}, held{{end}}"
	p, err := ofText(t, text).Entry(e)
	if got := string(p.Body); err != nil || got != "not judged: it is gross;ok 0.02 g set by the lab;out of service, held" {
		t.Errorf("in a template: %q %v", got, err)
	}
}
