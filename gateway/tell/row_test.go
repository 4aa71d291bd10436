package tell

import (
	"strings"
	"testing"

	"weighpost/gateway/record"
)

// TestVerdictsAreToldAsTheyAre: what is not judged is neither passed nor failed, and a limit says where it comes from.
func TestVerdictsAreToldAsTheyAre(t *testing.T) {
	for _, c := range []struct{ rest, want, not string }{
		{`"verdicts":[{"rule":"minimum-weight","pass":false,"not_judged":true,"why":"it is gross, and the net quantity is what matters"}]`,
			"minimum weight not judged: it is gross, and the net quantity is what matters", "passed"},
		{`"verdicts":[{"rule":"minimum-weight","pass":false,"not_judged":true}]`, "minimum weight not judged", "passed"},
		{`"verdicts":[{"rule":"minimum-weight","pass":true,"limit":"0.02 g","from":"set by the lab"}]`, "minimum weight passed, limit 0.02 g (set by the lab)", "NOT"},
		{`"verdicts":[{"rule":"minimum-weight","pass":false,"limit":"0.02 g","from":"set by the lab","why":"0.01 g is below it"}]`,
			"minimum weight NOT passed, limit 0.02 g (set by the lab), 0.01 g is below it", "not judged"},
		{`"fitness":{"state":"out of service","held":true}`, "balance out of service; held back until somebody releases it", "overdue"},
		{`"fitness":{"state":"out of service"}`, "balance out of service", "held back"},
		{`"fitness":{"state":"overdue"}`, "check of the balance overdue", "out of service"},
		{`"fitness":{"state":"in check"}`, "balance in check", "out of service"},
	} {
		e := record.Entry{Seq: 7, ID: "seed-bank/7qx3/b-12/000007", Kind: record.KindWeighing, Balance: "b-12",
			JSON: []byte(`{"value":{"digits":"1.0","range":"in","kind":"net","stability":"stable"},` + c.rest + `}`)}
		r, err := RowOf(e, new(record.Corrections))
		if err != nil || !strings.Contains(r.What, c.want) || strings.Contains(r.What, c.not) {
			t.Errorf("%s: %q %v", c.rest, r.What, err)
		}
	}
}
