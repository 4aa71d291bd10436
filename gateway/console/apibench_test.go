package console

import (
	"errors"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

func (b *bench) BalanceOf(code string) (id, why string) {
	if code == "SB/44 10" {
		return "b-12", ""
	}
	return "", "No balance has that label."
}

func (b *bench) Beginnings(string) []Beginning { return nil }

// TestStepsAtABench: what was said and how comes to the balance, and what it says comes back.
func TestStepsAtABench(t *testing.T) {
	h := open(t)
	const path = "/api/v1/balances/b-12/steps/"
	for _, c := range []struct {
		step, body string
		status     int
		want       record.ContextRequest
	}{
		{"next", `{"how": "key"}`, 200, record.ContextRequest{Step: "next", How: "key"}},
		{"repeat", `{"how": "button", "confirm": true}`, 200, record.ContextRequest{Step: "repeat", How: "button", Confirm: true}},
		{"abandon", `{}`, 200, record.ContextRequest{Step: "abandon"}},
		{"dance", `{}`, 422, record.ContextRequest{}},
		{"next", `{"how": "card"}`, 422, record.ContextRequest{}},
		{"next", `{"sample": "x"}`, 422, record.ContextRequest{}},
	} {
		before := len(h.bench.requests)
		resp, answer := send(t, h, http.MethodPost, path+c.step, c.body, nil)
		if resp.StatusCode != c.status {
			t.Errorf("%s %s: %d %s", c.step, c.body, resp.StatusCode, answer)
			continue
		}
		if c.status != 200 {
			if len(h.bench.requests) != before {
				t.Errorf("%s %s was carried out", c.step, c.body)
			}
			continue
		}
		got := h.bench.requests[before]
		if got.Step != c.want.Step || got.How != c.want.How || got.Confirm != c.want.Confirm || got.Actor == nil || got.Where == "" || got.Person != nil {
			t.Errorf("%s %s came as %+v", c.step, c.body, got)
		}
	}
	h.bench.answer = &record.ContextRefused{Why: "There is no sample to repeat: scan it."}
	if resp, answer := send(t, h, http.MethodPost, path+"repeat", `{}`, nil); resp.StatusCode != http.StatusConflict || !strings.Contains(answer, "no sample to repeat") {
		t.Errorf("%d %s", resp.StatusCode, answer)
	}
	h.bench.answer = errors.New("it takes too long")
	if resp, _ := send(t, h, http.MethodPost, path+"next", `{}`, nil); resp.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("%d", resp.StatusCode)
	}
	h.bench.answer = nil
	if resp, _ := send(t, h, http.MethodPost, "/api/v1/balances/b-99/steps/next", `{}`, nil); resp.StatusCode != http.StatusNotFound {
		t.Errorf("%d", resp.StatusCode)
	}
}

// TestSomebodyWhoIsSignedInIsNotPutOnTheBalanceByAStep: it is said by them, and is about the sample alone.
func TestSomebodyWhoIsSignedInIsNotPutOnTheBalanceByAStep(t *testing.T) {
	r := record.ContextRequest{Step: record.StepNext}
	if err := ownContext(rights.Who{Person: "ada", Rights: rights.Of(rights.Weigh)}, "b-12", &r); err != nil || r.Person != nil || r.By != record.ByTyped {
		t.Errorf("%v %+v", err, r)
	}
}

func TestALabelIsFound(t *testing.T) {
	h := open(t)
	resp, answer := ask(t, "GET", h.base+"/api/v1/labels?code="+url.QueryEscape("SB/44 10"), nil)
	if resp.StatusCode != 200 || !strings.Contains(answer, `"balance":"b-12"`) {
		t.Errorf("%d %s", resp.StatusCode, answer)
	}
	for code, want := range map[string]int{"x": 409, "": 422, strings.Repeat("x", 513): 422} {
		if resp, answer := ask(t, "GET", h.base+"/api/v1/labels?code="+code, nil); resp.StatusCode != want {
			t.Errorf("%.9q: %d %s", code, resp.StatusCode, answer)
		}
	}
}
