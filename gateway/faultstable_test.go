package gateway_test

import (
	"os"
	"testing"

	"weighpost/gateway/shown"
)

// TestEveryFaultNamesATestThatExists holds the table of faults to the sources.
func TestEveryFaultNamesATestThatExists(t *testing.T) {
	page, err := os.ReadFile("../testdata/faults/README.md")
	if err != nil {
		t.Fatal(err)
	}
	rows := shown.Rows(string(page))
	if len(rows) < 15 {
		t.Fatalf("only %d rows are found: the table has another form", len(rows))
	}
	sources := shown.In("..")
	for _, row := range rows {
		if what := row.Wrong(sources); what != "" {
			t.Errorf("%s: %s", row.Cells[0], what)
		}
	}
}
