package shown

import (
	"runtime"
	"strings"
	"testing"
)

const page = "Some words | with a bar.\n\n| clause | asks | shown by |\n| --- | --- | --- |\n" +
	"| good | x | `gateway/shown.TestTablesCanFail` |\n| why | x | cannot be shown here: no such kernel |\n" +
	"| gone | x | `gateway/shown.TestThatWasRemoved` |\n| elsewhere | x | `gateway/health.TestTablesCanFail` |\n| none | x | none yet |\n" +
	"| skipped | x | `gateway/shown.TestThatIsSkipped` |\n| below | x | `gateway/shown.TestThatIsSkippedBelow` |\n" +
	"| system | x | `gateway/shown.TestThatLeavesOutASystem` |\n| short | `gateway/shown.TestTablesCanFail` |\n\n" +
	"| another | table |\n| --- | --- |\n| a | b |\n"

// TestTablesCanFail shows rows that must not pass.
func TestTablesCanFail(t *testing.T) {
	var wrong, unsure []string
	rows, sources := Rows(page), In("../..")
	for _, row := range rows {
		if row.Wrong(sources) != "" {
			wrong = append(wrong, row.Cells[0])
		}
		if row.MaySkip(sources) != "" {
			unsure = append(unsure, row.Cells[0])
		}
	}
	if got := strings.Join(unsure, " "); got != "skipped below" {
		t.Errorf("found to be skipped perhaps: %s", got)
	}
	if got := strings.Join(wrong, " "); len(rows) != 9 || got != "gone elsewhere none skipped short" {
		t.Errorf("%d rows, of which are found wrong: %s", len(rows), got)
	}
}

// TestThatIsSkippedBelow is another: where it skips is another function.
func TestThatIsSkippedBelow(t *testing.T) {
	if len(page) > 0 {
		away(t)
	}
}

func away(t *testing.T) { t.Skip("an example for TestTablesCanFail") }

// TestThatLeavesOutASystem is an example of what a table may rely on.
func TestThatLeavesOutASystem(t *testing.T) {
	if runtime.GOOS == "plan9" {
		t.Skip("an example for TestTablesCanFail")
	}
}

// TestThatIsSkipped is an example of what a table must not rely on.
func TestThatIsSkipped(t *testing.T) {
	t.Skip("an example for TestTablesCanFail")
}
