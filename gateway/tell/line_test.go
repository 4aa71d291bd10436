package tell

import (
	"strings"
	"testing"

	"weighpost/gateway/record"
)

// TestEveryKindHasWords: no kind is listed without a name and without saying what happened.
func TestEveryKindHasWords(t *testing.T) {
	for _, k := range record.Kinds() {
		if kindWords[k] == "" {
			t.Errorf("the kind %s has no name for people", k)
		}
		if tellers[k] == nil {
			t.Errorf("there are no words for what an entry of the kind %s says", k)
		}
	}
}

func TestSummaries(t *testing.T) {
	for _, c := range []struct{ kind, rest, want string }{
		{"weighing", `"value":{"digits":"12.3450","printed_unit":"g","kind":"net","stability":"stable","range":"in"},"context":{"sample":{"id":"LOT-7"}}`, "12.3450 g, net, stable, sample LOT-7"},
		{"weighing", `"value":{"kind":"unknown","stability":"unknown","range":"over"},"context":null`, "over range"},
		{"clock-changed", `"from":"checked","state":"holdover","why":"No server answers."`, "checked to holdover, No server answers."},
		{"context-changed", `"cause":"set","before":{"person":null},"after":{"person":{"id":"p-07"},"sample":{"id":"LOT-7"}}`, "set, person none to p-07, sample none to LOT-7"},
		{"configured", `"to":"sha256:0123456789abcdef","changes":["site was a and is b","page went"]`, "site was a and is b; page went"},
		{"configured", `"to":"sha256:0123456789abcdef","changes":[]`, "configuration sha256:0123456789ab"},
		{"trail-reviewed", `"from":1,"to":90,"findings":"nothing unusual","by":{"id":"ada"}`, "entries 1 to 90, nothing unusual"},
		{"sealed", `"first":1,"last":1000,"file":"a.ndjson.gz","from":"2026-11-25T10:04:05Z","to":"2026-11-25T10:04:06Z"`, "entries 1 to 1000, in a.ndjson.gz"},
		{"refused", `"what":"PUT /api","address":"127.0.0.1","times":3,"why":"no token"`, "PUT /api, from 127.0.0.1, 3 times, no token"},
		{"from-the-future", `"what":"news\u001b[31m","many":[1],"n":7,"stamp":{"utc":"2026-11-25T10:04:05Z"}`, `n 7, what news\x1b[31m`},
		{"damage", `"what":7,"entry":"x"`, "7, entry x"},
		{"run-ended", `"run":{"id":"r-1","procedure":{"name":"ash","version":2}},"state":"complete","verdict":"passed","items":[{},{},{}],"left_out":[{"item":{},"reason":"broke"}]`,
			"r-1, ash v2, complete, passed, 1 of 3 left out"},
		{"request-changed", `"request":{"id":"R-1","from":"lims","procedure":"ash","items":[]},"change":"complete","verdict":"passed","left_out":[{},{}]`, "R-1, of lims, complete, ash, passed, 2 left out"},
		{"gap", `"readings":{},"why":[]`, ""},
	} {
		e := record.Entry{Kind: record.Kind(c.kind), JSON: []byte(`{"schema":"weighpost.` + c.kind + `/1","id":"a/b/@/1","seq":1,"site":"a",` + c.rest + `}`)}
		if got := Line(e); got != c.want {
			t.Errorf("%s: %q, not %q", c.kind, got, c.want)
		}
	}
	if got := Line(record.Entry{JSON: []byte("{")}); !strings.HasPrefix(got, "cannot be read") {
		t.Error(got)
	}
}
