package shown

import (
	"strings"
	"testing"
)

const page = "Some words | with a bar.\n\n| clause | asks | shown by |\n| --- | --- | --- |\n" +
	"| good | x | `gateway/shown.TestTablesCanFail` |\n| why | x | cannot be shown here: no such kernel |\n" +
	"| gone | x | `gateway/shown.TestThatWasRemoved` |\n| elsewhere | x | `gateway/health.TestTablesCanFail` |\n| none | x | none yet |\n" +
	"| skipped | x | `gateway/shown.TestThatIsSkipped` |\n| short | `gateway/shown.TestTablesCanFail` |\n\n" +
	"| another | table |\n| --- | --- |\n| a | b |\n"

// TestTablesCanFail shows rows that must not pass.
func TestTablesCanFail(t *testing.T) {
	var wrong []string
	rows, sources := Rows(page), In("../..")
	for _, row := range rows {
		if row.Wrong(sources) != "" {
			wrong = append(wrong, row.Cells[0])
		}
	}
	if got := strings.Join(wrong, " "); len(rows) != 7 || got != "gone elsewhere none skipped short" {
		t.Errorf("%d rows, of which are found wrong: %s", len(rows), got)
	}
}

// TestThatIsSkipped is an example of what a table must not rely on.
func TestThatIsSkipped(t *testing.T) {
	t.Skip("an example for TestTablesCanFail")
}
