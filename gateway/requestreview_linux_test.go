package gateway_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"testing"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

// asking is a lab system that asks with a key of its own.
type asking struct {
	t   *testing.T
	h   *house
	key string
}

func (a *asking) ask(method, path, body string, into any) {
	a.t.Helper()
	status, answer := request(a.t, a.h.Gateway, method, "api/v1/"+path, a.key, body)
	if err := json.Unmarshal(answer, into); status != http.StatusOK || err != nil {
		a.t.Fatalf("%s %s: %d %v %s", method, path, status, err, answer)
	}
}

// sees waits until the request is in a state, and holds what it then says: the result's digits, and the reason of the state.
func (a *asking) sees(state, run, digits, reason string) {
	a.t.Helper()
	var v console.RequestView
	until(a.t, func() bool {
		v = console.RequestView{}
		a.ask("GET", "requests/lims-1/R-1", "", &v)
		return v.State == state
	}, "the request is not "+state)
	if v.Run != run || len(v.Results) != 1 || v.Results[0].Digits != digits || v.Reason != reason {
		a.t.Errorf("%s: %+v", state, v)
	}
}

// TestALabSystemHearsWhatBecomesOfItsRunInReview: over the API, with a key of its own: that its run is approved, changed after it and another stands for
// it, each with the results as they then stand; of what lies between it hears nothing.
func TestALabSystemHearsWhatBecomesOfItsRunInReview(t *testing.T) {
	t.Parallel()
	h, b := runHouse(t, "")
	lims, cleo := &asking{t, h, h.programKey(t)}, h.signsIn(t, "cleo", "reviewer")
	var sent struct{ Requests []console.RequestOutcome }
	lims.ask("POST", "requests", `{"id": "R-1", "procedure": "net", "items": [{"sample": "LOT-1003"}]}`, &sent)
	var begun console.RunView
	h.ask(t, "POST", "runs", `{"request": {"from": "lims-1", "id": "R-1"}, "balance": "b-1", "by": "ada"}`, 200, &begun)
	run := begun.ID
	h.weighNet(t, b, run)
	lims.sees(record.RunComplete, run, "2.345", "")
	h.reviews(t, run, "review", `{"act": "submit"}`, "ada", 200)
	h.reviews(t, run, "review", `{"act": "return", "reason": "look at the first weighing"}`, "ben", 200)
	h.reviews(t, run, "review", `{"act": "submit"}`, "ada", 200)
	lims.sees(record.RunComplete, run, "2.345", "")

	s := cleo.statement(run, record.MeansReviewed)
	signing := fmt.Sprintf(`{"id": "cleo", "secret": %q, "statement_sha256": %q}`, secondSecret+"cleo", s.SHA256)
	if status, said := cleo.asks("POST", "runs/"+run+"/review", fmt.Sprintf(`{"act": "approve", "seen": %d, "signing": %s}`, s.Last, signing)); status != http.StatusOK {
		t.Fatalf("%d %s", status, said)
	}
	lims.sees(record.RunApproved, run, "2.345", "")
	var now console.ReviewView
	h.ask(t, "GET", "runs/"+run+"/review", "", 200, &now)
	h.reviews(t, run, "corrections", `{"change": "exclude", "of": "`+weighedFor(t, now)[0].ID+`", "reason": "balance disturbed", "comment": "a door was open"}`, "ben", 200)
	lims.sees(record.RunReviewAgain, run, "", "balance disturbed")
	other := netRun(t, h, b)
	h.reviews(t, run, "review", `{"act": "replace", "other": "`+other+`", "reason": "it was weighed again"}`, "ben", 200)
	lims.sees(record.RunReplaced, run, "", "it was weighed again")
	h.stop(t)
	var changes []string
	for _, e := range all[record.LabRequestChanged](t, h, record.KindRequestChanged) {
		if changes = append(changes, e.Change); e.Request.From != "lims-1" || e.Request.ID != "R-1" || e.State != e.Change && e.Change != "received" {
			t.Errorf("%+v", e)
		}
	}
	if want := []string{"received", "begun", record.RunComplete, record.RunApproved, record.RunReviewAgain, record.RunReplaced}; !slices.Equal(changes, want) {
		t.Errorf("it was told %q, not %q", changes, want)
	}
}
