package gateway_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

// netRun is a run of the net mass that Ada has carried out, 2.345 g.
func netRun(t *testing.T, h *house, b *obedient) string {
	t.Helper()
	run := h.beginRun(t)
	h.weighNet(t, b, run)
	return run
}

// weighNet has Ada weigh 10.000 g and 12.345 g for a run of the net mass.
func (h *house) weighNet(t *testing.T, b *obedient, run string) {
	t.Helper()
	h.acts(t, run, `{"scan": "LOT-1003"}`, "ada", 200)
	b.set(string(line(10000)))
	h.acts(t, run, `{"take": true}`, "ada", 200)
	h.runWaits(t, run, "weight", "later")
	b.set(string(line(12345)))
	h.acts(t, run, `{"take": true}`, "ada", 200)
	h.judgeRun(t, run)
}

// reviews asks for something of the review of a run, as it is now.
func (h *house) reviews(t *testing.T, run, what, body, by string, want int) (v console.ReviewView, said string) {
	t.Helper()
	var now console.ReviewView
	h.ask(t, "GET", "runs/"+run+"/review", "", 200, &now)
	var there any
	if want == 200 {
		there = &v
	}
	said = h.ask(t, "POST", "runs/"+run+"/"+what, fmt.Sprintf(`%s, "seen": %d, "by": %q}`, strings.TrimSuffix(body, "}"), now.Last, by), want, there)
	return v, said
}

// weighedFor are the weighings of a run, read.
func weighedFor(t *testing.T, v console.ReviewView) (list []record.Weighing) {
	t.Helper()
	for _, text := range v.Weighed {
		var w record.Weighing
		if err := json.Unmarshal(text, &w); err != nil {
			t.Fatal(err)
		}
		list = append(list, w)
	}
	return list
}

// reported has a report of a run made, and once more after something that is no part of it.
func (h *house) reported(t *testing.T, run string, beside func()) {
	t.Helper()
	before := map[string][]byte{record.ReportPDF: nil, record.ReportJSON: nil, record.ReportLaboratory: nil}
	for form := range before {
		b, err := h.PreviewReport(t.Context(), console.ReportAsked{Of: "run", About: run, Form: form})
		if err != nil || !record.IsReport(form, b) {
			t.Fatalf("as %s: %.20q, %v", form, b, err)
		}
		before[form] = b
	}
	beside()
	for form, b := range before {
		if again, err := h.PreviewReport(t.Context(), console.ReportAsked{Of: "run", About: run, Form: form}); err != nil || !bytes.Equal(again, b) {
			t.Errorf("the report as %s became another: %d bytes and %d, %v", form, len(b), len(again), err)
		}
	}
	issued, err := h.IssueReport(t.Context(), console.ReportOrder{ReportAsked: console.ReportAsked{Of: "run", About: run, Form: record.ReportJSON}}, record.Actor{ID: "ben"})
	if err != nil || issued.Form != record.ReportJSON || issued.Template != "" || issued.Hash != "" {
		t.Fatalf("%+v %v", issued, err)
	}
	kept, err := h.ReportFile(t.Context(), issued.Report)
	if err != nil || fmt.Sprintf("%x", sha256.Sum256(kept)) != issued.Sum || !bytes.Contains(kept, []byte(`"report":{"number":"`+issued.Report+`","issued":"`+issued.Stamp.UTC.String()[:4])) {
		t.Errorf("%.200s %v", kept, err)
	}
	var refused *record.RequestRefused
	for what, q := range map[string]console.ReportAsked{"a trail": {Of: "trail", About: "1-3", Form: record.ReportJSON}, "a template": {Of: "run", About: run, Form: record.ReportJSON, Template: "built-in"}} {
		if _, err := h.PreviewReport(t.Context(), q); !errors.As(err, &refused) {
			t.Errorf("%s as data: %v", what, err)
		}
	}
}

// TestARunIsReviewedThroughTheAPI: from its end to a correction, with each act an entry, each refusal one too, and all of it there after a
// restart.
func TestARunIsReviewedThroughTheAPI(t *testing.T) {
	t.Parallel()
	h, b := runHouse(t, "")
	run := netRun(t, h, b)
	var v console.ReviewView
	h.ask(t, "GET", "runs/"+run+"/review", "", 200, &v)
	if v.State != record.RunComplete || v.Verdict != "passed" || len(v.Weighed) != 2 || len(weighedFor(t, v)[0].Frame) == 0 || len(v.Covers) != len(v.Trail) || v.Covers[len(v.Covers)-1] != v.Last ||
		len(v.Balances) != 1 || v.Balances[0].ID != "b-1" || v.Approvals != 1 {
		t.Errorf("%+v", v)
	}
	if len(v.Flags) != 2 || v.Flags[0] != "clock not checked" || v.Flags[1] != "balance not in service" { // nobody checks clock or balance here
		t.Errorf("flags %q", v.Flags)
	}
	weighed := weighedFor(t, v)[0].ID
	var statement console.Statement
	h.ask(t, "GET", "runs/"+run+"/statement?meaning=performed", "", 200, &statement)
	if !strings.Contains(statement.Text, run) || !strings.Contains(statement.Text, "2.345 g") || len(statement.SHA256) != 64 || statement.Last != v.Last {
		t.Errorf("%+v", statement)
	}
	if _, said := h.reviews(t, run, "review", `{"act": "submit"}`, "ben", 409); !strings.Contains(said, "had no part in the run") {
		t.Error(said)
	}
	v, _ = h.reviews(t, run, "review", `{"act": "submit"}`, "ada", 200)
	if v.State != record.RunInReview || v.Run.State != record.RunInReview || len(v.Acts) != 1 || v.Acts[0].TreeSize < v.Acts[0].Seen || v.Acts[0].Root == "" {
		t.Errorf("%+v", v.Acts)
	}
	for said, body := range map[string]string{"in review: submit is not done": `{"act": "submit"}`, "da had a part": `{"act": "approve"}`, "in review: archive": `{"act": "archive", "reason": "old"}`} {
		if _, got := h.reviews(t, run, "review", body, "ada", 409); !strings.Contains(got, said) {
			t.Errorf("%s: %s", body, got)
		}
	}
	h.ask(t, "POST", "runs/"+run+"/review", fmt.Sprintf(`{"act": "return", "reason": "look again", "seen": %d, "by": "ben"}`, v.Last-1), 409, nil)
	h.reported(t, run, func() { h.reviews(t, run, "review", `{"act": "look"}`, "ben", 200) })
	v, _ = h.reviews(t, run, "review", `{"act": "return", "reason": "the first weighing looks odd"}`, "ben", 200)
	if v.State != record.RunReturned {
		t.Errorf("it is %s", v.State)
	}
	h.reviews(t, run, "corrections", `{"change": "exclude", "of": "`+weighed+`", "reason": "no such", "comment": "a door was open"}`, "ada", 409)
	v, _ = h.reviews(t, run, "corrections", `{"change": "exclude", "of": "`+weighed+`", "reason": "balance disturbed", "comment": "a door was open"}`, "ada", 200)
	if v.State != record.RunReturned || len(v.Excluded) != 1 || v.Excluded[0].ID != weighed || v.First[0].Digits != "2.345" || v.Run.Results[0].Digits != "" || v.Verdict == "passed" {
		t.Errorf("excluded: %+v, %+v", v.Excluded, v.Run.Results)
	}
	v, _ = h.reviews(t, run, "corrections", `{"change": "include", "of": "`+weighed+`", "reason": "other", "comment": "it was another door"}`, "ada", 200)
	if v.Run.Results[0].Digits != "2.345" || v.Verdict != "passed" || weighedFor(t, v)[0].Value.Digits != "10.000" {
		t.Errorf("included again: %+v", v.Run.Results)
	}
	var list console.ReviewList
	h.again(t)
	until(t, func() bool {
		h.ask(t, "GET", "reviews?state=returned&flag=weighing+excluded", "", 200, &list)
		return len(list.Runs) == 1
	}, "the run is not on the list")
	var runs console.RunList
	h.ask(t, "GET", "runs?state=returned", "", 200, &runs)
	if list.Runs[0].ID != run || list.Runs[0].Last != v.Last || len(runs.Runs) != 1 || runs.Runs[0].ID != run {
		t.Errorf("%+v, %+v", list, runs)
	}
	h.stop(t)
	acts, corrected := all[record.RunReview](t, h, record.KindRunReviewed), all[record.RunCorrected](t, h, record.KindRunCorrected)
	var refused uint64
	for _, r := range all[record.Refused](t, h, record.KindRefused) {
		refused += r.Times
	}
	if len(acts) != 3 || len(corrected) != 2 || corrected[0].Was[0].Digits != "2.345" || corrected[0].By.ID != "ada" || refused != 7 { // one of them: a version that its writer would adopt
		t.Errorf("%d acts, %d corrections, %d refused", len(acts), len(corrected), refused)
	}
}
