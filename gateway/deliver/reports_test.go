package deliver

import (
	"testing"

	"weighpost/gateway/record"
)

// TestAReportGoesWhereItIsSent: to a destination that names reports among its entries, where the report names it; to one that gets all
// entries in any case; to no other.
func TestAReportGoesWhereItIsSent(t *testing.T) {
	e := record.Entry{Seq: 9, Kind: record.KindReportIssued, JSON: []byte(`{"report": "rep-1", "sent": ["share"]}`)}
	for id, want := range map[string]map[string]bool{"share": {"report-issued": true, "all": true, "weighing": false}, "office": {"report-issued": false, "all": true, "weighing": false}} {
		for entries, wanted := range want {
			c := Default()
			c.ID, c.Entries = id, []string{entries}
			r := routesOf(*c)
			if got := r.wants(e); got != wanted || (c.Unwanted(e) == "") != wanted {
				t.Errorf("%s with entries: [%s] gets it: %v, %q", id, entries, got, c.Unwanted(e))
			}
		}
	}
}
