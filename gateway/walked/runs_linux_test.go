package walked

import (
	"encoding/json"
	"net/http"
	"strings"

	"weighpost/gateway/rights"
)

const countText = `procedure: hand-count
title: Count by hand
about: samples
steps:
- {step: ready, do: instruct, say: Pour the seeds out.}
- {step: number, do: ask, kind: quantity, unit: "1", say: How many are there?, limits: {from: "none: it is counted"}}
results: [number]
`

// opened are the rights that open a route beside its own: which of them, is judged by what is asked for.
var opened = map[string][]rights.Right{
	"POST /api/v1/runs/{run}/act":                                   {rights.SecondPerson, rights.AllowOutside},
	"POST /api/v1/procedures/{procedure}/versions/{version}/decide": {rights.Procedures},
	"POST /api/v1/runs/{run}/review":                                {rights.ReviewRuns, rights.ApproveRuns},
	"POST /api/v1/runs/{run}/review/provider":                       {rights.ReviewRuns, rights.ApproveRuns},
	"POST /api/v1/runs/{run}/corrections":                           {rights.ReviewRuns},
	"POST /api/v1/reviews/together":                                 {rights.ApproveRuns},
	"POST /api/v1/reports":                                          {rights.Fitness},
}

// begins has a run of a procedure go on, a request wait for one, and a crucible in the register: the addresses of the first two.
func (h *house) begins() *strings.Replacer {
	h.t.Helper()
	must := func(path string, body map[string]any) string {
		raw, _ := json.Marshal(body)
		status, text := h.host.asks("POST", path, string(raw))
		if status != http.StatusOK {
			h.t.Fatalf("%s: %d %s", path, status, text)
		}
		return text
	}
	must("/api/v1/procedures", map[string]any{"text": countText, "reason": "its first version", "by": "ada"})
	must("/api/v1/procedures/hand-count/versions/1/decide", map[string]any{"change": "adopted", "reason": "read and found right", "by": "ben"})
	var run struct{ ID string }
	if err := json.Unmarshal([]byte(must("/api/v1/runs", map[string]any{"procedure": "hand-count", "items": []map[string]string{{"sample": "LOT-1"}}, "by": "ada"})), &run); err != nil {
		h.t.Fatal(err)
	}
	must("/api/v1/requests", map[string]any{"id": "R-1", "from": "lims", "procedure": "hand-count", "items": []map[string]string{{"sample": "LOT-1"}}})
	must("/api/v1/containers", map[string]any{"containers": []any{map[string]any{"id": "cr-1"}}, "sort": "crucible", "reason": "new", "by": "ada"})
	return strings.NewReplacer("{run}", run.ID, "{from}", "lims", "{request}", "R-1")
}

// filled is an address with what there is here in its places.
func (h *house) filled(pattern string) string { return h.begun.Replace(h.fill.Replace(pattern)) }
