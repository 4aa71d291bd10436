package report_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"weighpost/gateway/record"
	"weighpost/gateway/report"
)

// file writes a run in a form.
func file(t *testing.T, r *report.Run, form string) []byte {
	t.Helper()
	b, err := report.File(r, form)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

const dataSchema, coreSchema = "../../configs/schemas/run-report.schema.json", "../laboratory/testdata/core.schema.json"

// compiled are the schemas by their files, each compiled once.
var compiled = sync.OnceValues(func() (map[string]*jsonschema.Schema, error) {
	all := map[string]*jsonschema.Schema{}
	for _, file := range []string{dataSchema, coreSchema} {
		c := jsonschema.NewCompiler()
		c.AssertFormat()
		s, err := c.Compile(file)
		if err != nil {
			return nil, err
		}
		all[file] = s
	}
	return all, nil
})

// fits holds JSON against a schema, with its formats.
func fits(t *testing.T, schema string, text []byte) error {
	t.Helper()
	all, err := compiled()
	if err != nil {
		t.Fatal(err)
	}
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return all[schema].Validate(v)
}

// entriesIn finds every entry that a text of JSON holds, byte for byte: objects that name the schema of an entry.
func entriesIn(t *testing.T, text []byte) (list []record.Entry) {
	t.Helper()
	var walk func(raw json.RawMessage)
	walk = func(raw json.RawMessage) {
		var object map[string]json.RawMessage
		var array []json.RawMessage
		switch {
		case json.Unmarshal(raw, &object) == nil:
			if e, err := record.ParseEntry(raw); err == nil {
				list = append(list, e)
				return
			}
			for _, one := range object {
				walk(one)
			}
		case json.Unmarshal(raw, &array) == nil:
			for _, one := range array {
				walk(one)
			}
		}
	}
	walk(bytes.TrimSpace(text))
	slices.SortFunc(list, func(a, b record.Entry) int { return int(a.Seq) - int(b.Seq) })
	return list
}

// TestTheDataOfARunAreItsEntries: every entry that the run has is in there once, byte for byte, so that the root, worked out by tlog from the
// file alone, is the one that it states; each entry is as the schema of its kind says, the whole as its own; and what became of each is said.
func TestTheDataOfARunAreItsEntries(t *testing.T) {
	t.Parallel()
	r := run(t)
	text := file(t, r, record.ReportJSON)
	if err := fits(t, dataSchema, text); err != nil {
		t.Fatal(err)
	}
	got := entriesIn(t, text)
	if !slices.EqualFunc(got, r.Entries, func(a, b record.Entry) bool { return a.Seq == b.Seq && bytes.Equal(a.JSON, b.JSON) }) {
		t.Fatalf("%d entries, not those %d of the run", len(got), len(r.Entries))
	}
	var d report.Data
	if err := json.Unmarshal(text, &d); err != nil {
		t.Fatal(err)
	}
	if root := tlogRoot(t, got); d.Proof.Root != root || d.Proof.Entries != len(got) || d.Report.Number != "rep-7qx3-000004" || d.Report.Replaces != "rep-7qx3-000003" {
		t.Errorf("%+v %+v, root %s", d.Proof, d.Report, root)
	}
	counts, why := 0, map[string]string{}
	for _, w := range d.Weighings {
		if w.Counts != (w.Why == "") || w.Counts && w.UsedAs == "" {
			t.Errorf("%+v", w)
		}
		if why[w.ID] = w.Why; w.Counts {
			counts++
		}
	}
	if counts != len(replicates)-1 || len(d.Weighings) != len(replicates)+2 || !strings.HasPrefix(why[r.Ended.Weighings[3].ID], "excluded by Ada Quill") {
		t.Errorf("%d of %d count: %q", counts, len(d.Weighings), why)
	}
	if d.Weighings[0].Sample != "LOT-4712" || d.Results.First[0].Digits != "12.68" || d.Results.Results[0].Digits != "12.31" || d.Results.FirstVerdict != "failed" || d.Results.Verdict != "passed" || !d.Results.Changed {
		t.Errorf("%+v %+v", d.Weighings[0], d.Results)
	}
	if len(d.Signatures) != 2 || d.Signatures[0].InForce || !strings.HasPrefix(d.Signatures[0].Why, "NO LONGER IN FORCE") || !d.Signatures[1].InForce || d.Signatures[1].Name != "Eve Lark" || !strings.HasSuffix(d.Signatures[1].Time, "+01:00") {
		t.Errorf("%+v", d.Signatures)
	}
	if s := d.Statistics; len(s) != 1 || s[0].N != "7" || s[0].Mean != "1.23113 g" { // 8.6179 g / 7 = 1.231128…
		t.Errorf("%+v", s)
	}
	r.Number, r.Replaces, r.Why = "", "", ""
	if again := file(t, r, record.ReportJSON); bytes.Contains(again, []byte(`"report":{`)) {
		t.Error("a preview has a number")
	}
}

// TestTheDataSayThatASignatureDoesNotHold, and the model does not list it among signatures then.
func TestTheDataSayThatASignatureDoesNotHold(t *testing.T) {
	t.Parallel()
	s := storied()
	for i, e := range s.Entries {
		if e.Seq == 101 {
			s.Entries[i].JSON = bytes.Replace(e.JSON, []byte(replicates[0]), []byte("1.2311"), 1)
		}
	}
	r, err := report.NewRun(*s)
	if err != nil {
		t.Fatal(err)
	}
	r.Model = report.Default().Laboratory
	for _, one := range r.Data().Signatures {
		if one.InForce || !strings.HasPrefix(one.Why, "DOES NOT HOLD") {
			t.Errorf("%+v", one)
		}
	}
	if text := file(t, r, record.ReportLaboratory); bytes.Contains(text, []byte("electronic signature")) || !bytes.Contains(text, []byte("DOES NOT HOLD")) {
		t.Errorf("%s", text)
	}
}

// modelled is what a reader makes of a run's document, by the names of the model.
type modelled struct {
	Weighing struct {
		Data struct {
			File string `json:"ASM file identifier"`
			Key  string `json:"database primary key"`
		} `json:"data system document"`
		Sequence map[string]string `json:"analysis sequence document"`
		Results  struct {
			List []struct {
				Name   string `json:"calculated data name"`
				Result struct {
					Value json.Number
					Unit  string
				} `json:"calculated result"`
			} `json:"calculated data document"`
		} `json:"calculated data aggregate document"`
		Signatures struct {
			List []map[string]any `json:"electronic signature document"`
		} `json:"electronic signature aggregate document"`
		Custom    customFacts `json:"custom information aggregate document"`
		Documents []struct {
			Aggregate struct {
				Measurements []struct {
					ID     string `json:"measurement identifier"`
					Sample struct {
						ID string `json:"sample identifier"`
					} `json:"sample document"`
					Weight struct {
						Value json.Number
						Unit  string
					} `json:"sample weight"`
					Errors struct {
						List []struct{ Error string } `json:"error document"`
					} `json:"error aggregate document"`
					Custom customFacts `json:"custom information aggregate document"`
				} `json:"measurement document"`
			} `json:"measurement aggregate document"`
		} `json:"weighing document"`
	} `json:"weighing aggregate document"`
}

type customFacts struct {
	List []struct {
		Label string `json:"datum label"`
		Text  string `json:"scalar string datum"`
	} `json:"custom information document"`
}

func (c *customFacts) of(label string) string {
	for _, f := range c.List {
		if f.Label == label {
			return f.Text
		}
	}
	return ""
}

// TestARunInTheLaboratoryModel: the document is as the core of the model demands; each weighing is there once, exactly, those that do not
// count as errors; the result as it stands is calculated data, the first one beside it; the signature in force has its name, meaning and time.
func TestARunInTheLaboratoryModel(t *testing.T) {
	t.Parallel()
	r := run(t)
	r.Model = report.Default().Laboratory
	text := file(t, r, record.ReportLaboratory)
	if err := fits(t, coreSchema, text); err != nil {
		t.Fatalf("%s\n%v", text, err)
	}
	for _, demand := range []string{"account identifier", "personal name", "signature role type", "identifier", "written name", "calculated data name", "calculated result", "error"} {
		if worse := bytes.Replace(text, []byte(`"`+demand+`":`), []byte(`"`+demand+`s":`), 1); bytes.Equal(worse, text) || fits(t, coreSchema, worse) == nil {
			t.Errorf("without %s it passes", demand)
		}
	}
	var m modelled
	if err := json.Unmarshal(text, &m); err != nil {
		t.Fatal(err)
	}
	w := &m.Weighing
	var digits []string
	for _, d := range w.Documents {
		one := d.Aggregate.Measurements[0]
		digits = append(digits, one.Weight.Value.String())
		out := len(one.Errors.List) > 0
		if excluded := slices.Contains([]string{"1.5300", "0.0451", "3.0000"}, one.Weight.Value.String()); out != excluded || excluded != (one.Custom.of("does not count, because") != "") || one.Custom.of("digits as printed") != one.Weight.Value.String() {
			t.Errorf("%+v", one)
		}
	}
	if want := []string{"1.2310", "1.2288", "1.2342", "0.0451", "1.5300", "1.2297", "1.2325", "1.2301", "1.2316", "3.0000"}; !slices.Equal(digits, want) {
		t.Errorf("%q", digits)
	}
	if first := w.Documents[0].Aggregate.Measurements[0]; first.Sample.ID != "LOT-4712" || first.Custom.of("sample as recorded") != "LOT-4711" {
		t.Errorf("%+v", first)
	}
	if list := w.Results.List; len(list) != 1 || list[0].Result.Value != "12.31" || list[0].Result.Unit != "g" || !strings.HasPrefix(w.Custom.of("result as first worked out, Thousand-seed weight, sample LOT-4711, lot 2026-B, container dish 4"), "12.68 g") {
		t.Errorf("%+v %+v", list, w.Custom)
	}
	if s := w.Signatures.List; len(s) != 1 || s[0]["personal name"] != "Eve Lark" || s[0]["signature role type"] != "reviewed" || s[0]["account identifier"] != "eve" || !strings.HasSuffix(fmt.Sprint(s[0]["time"]), "+01:00") {
		t.Errorf("%+v", s)
	}
	if w.Data.Key != theRun.ID || w.Data.File != "rep-7qx3-000004" || w.Sequence["method identifier"] != theRun.Procedure.Hash || w.Sequence["version number"] != "2" ||
		!strings.Contains(w.Custom.of("entries told of"), report.Root(r.Entries)) {
		t.Errorf("%+v %+v", w.Data, w.Sequence)
	}
}

// TestWhatTheModelCannotHoldOfARun: a weighing that counts is refused with its id, one that does not is told beside the others.
func TestWhatTheModelCannotHoldOfARun(t *testing.T) {
	t.Parallel()
	for old, want := range map[string]string{`"digits":"1.2310","unit":"g","printed_unit":"g"`: "the laboratory model cannot hold it", `"digits":"3.0000","unit":"g","printed_unit":"g"`: ""} {
		s := storied()
		for i, e := range s.Entries {
			if e.Kind == record.KindWeighing {
				s.Entries[i].JSON = bytes.Replace(e.JSON, []byte(old), []byte(`"digits":"7","printed_unit":"mystery"`), 1)
			}
		}
		r, err := report.NewRun(*s)
		if err != nil {
			t.Fatal(err)
		}
		r.Model = report.Default().Laboratory
		text, err := report.File(r, record.ReportLaboratory)
		var notDone *record.NotDone
		switch {
		case want != "" && (!errors.As(err, &notDone) || !strings.Contains(err.Error(), want)):
			t.Errorf("%s: %v", old, err)
		case want == "" && (err != nil || !bytes.Contains(text, []byte("which the model cannot hold")) || !bytes.Contains(text, []byte("7 mystery; does not count"))):
			t.Errorf("%s: %v %s", old, err, text)
		}
	}
	var refused *record.RequestRefused
	if _, err := report.File(&report.Trail{}, record.ReportJSON); !errors.As(err, &refused) {
		t.Errorf("a trail as data: %v", err)
	}
	if _, err := report.File(run(t), "spreadsheet"); !errors.As(err, &refused) {
		t.Errorf("a spreadsheet: %v", err)
	}
}

// formSums are the sums of a run in the forms for programs.
func formSums(t *testing.T) (sums string) {
	r := run(t)
	r.Model = report.Default().Laboratory
	for _, form := range []string{record.ReportJSON, record.ReportLaboratory} {
		sums += fmt.Sprintf(" %x", sha256.Sum256(file(t, r, form)))
	}
	return sums
}

// TestTheSchemaDemandsEveryFieldOfTheData: without any of them but the number of the report, which a preview has not, it refuses.
func TestTheSchemaDemandsEveryFieldOfTheData(t *testing.T) {
	t.Parallel()
	text := file(t, run(t), record.ReportJSON)
	for i := range reflect.TypeFor[report.Data]().NumField() {
		name, _, _ := strings.Cut(reflect.TypeFor[report.Data]().Field(i).Tag.Get("json"), ",")
		var all map[string]json.RawMessage
		if err := json.Unmarshal(text, &all); err != nil || all[name] == nil {
			t.Fatalf("%s: %v", name, err)
		}
		delete(all, name)
		worse, err := json.Marshal(all)
		if err != nil {
			t.Fatal(err)
		}
		if err := fits(t, dataSchema, worse); (err == nil) != (name == "report") {
			t.Errorf("without %s: %v", name, err)
		}
	}
}

// TestTheFormsForProgramsAreAsTheyWere holds both forms of the same run against what they were when they were looked over (-update writes it):
// programs of others read them. Another validator has the first (gateway/config.TestAnotherValidatorSaysTheSame).
func TestTheFormsForProgramsAreAsTheyWere(t *testing.T) {
	t.Parallel()
	r := run(t)
	r.Model = report.Default().Laboratory
	for form, golden := range map[string]string{record.ReportJSON: "testdata/run.json", record.ReportLaboratory: "testdata/run.laboratory.json"} {
		got := file(t, r, form)
		if *update {
			if err := os.WriteFile(golden, got, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		if want, err := os.ReadFile(golden); err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s is another now (go test ./gateway/report -update): %v", golden, err)
		}
	}
}
