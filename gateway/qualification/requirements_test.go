package qualification

import (
	"os"
	"slices"
	"strings"
	"testing"
)

// clausesPage gives the rows of the manual's page: heading → first cells.
func clausesPage(t *testing.T) map[string][]string {
	t.Helper()
	src, err := os.ReadFile("../help/pages/clauses.md")
	if err != nil {
		t.Fatal(err)
	}
	rows, heading := map[string][]string{}, ""
	for line := range strings.SplitSeq(string(src), "\n") {
		if name, ok := strings.CutPrefix(line, "## "); ok {
			heading = name
		}
		if cells := strings.Split(line, "|"); len(cells) > 3 {
			rows[heading] = append(rows[heading], strings.TrimSpace(cells[1]))
		}
	}
	return rows
}

// begins says whether a row is about a clause: it begins with it, and no further figure or letter follows.
func begins(row, clause string) bool {
	rest, ok := strings.CutPrefix(row, clause)
	return ok && (rest == "" || rest[0] == ' ' || rest[0] == ',')
}

// TestEveryClauseHasItsRow: each clause that a requirement names is in the manual's table, under that text, and marked as from memory where
// the table marks it.
func TestEveryClauseHasItsRow(t *testing.T) {
	page, seen := clausesPage(t), 0
	missing := func(c Clause) string {
		rows := slices.DeleteFunc(slices.Clone(page[c.Text]), func(row string) bool { return !begins(row, c.Clause) })
		if len(rows) == 0 {
			return "has no row"
		}
		for _, row := range rows {
			if strings.HasPrefix(strings.TrimPrefix(row, c.Clause), " *m*") != c.Memory {
				return "is from memory in one place and not in the other: " + row
			}
		}
		return ""
	}
	for _, r := range requirements {
		if len(r.clauses) == 0 || r.sentence == "" {
			t.Errorf("%s names no clause, or no requirement", r.id)
		}
		for _, c := range r.clauses {
			seen++
			if why := missing(c); why != "" {
				t.Errorf("%s: %s %s", r.id, c.Words(), why)
			}
		}
	}
	for _, c := range []Clause{{part11, "11.99", false}, {part11, "11.1", false}, {annex11, "4", false}, {"No such text", "7.1", false}} {
		if missing(c) == "" {
			t.Errorf("the test finds no fault with %s", c.Words())
		}
	}
	t.Logf("%d clauses named, each with its row", seen)
}

// TestEveryTestHasARequirement, also one for each port, server and destination.
func TestEveryTestHasARequirement(t *testing.T) {
	for _, id := range []string{"installation.sync", "ports.b-12", "clock.server.127.0.0.1:123", "sinks.broker", "kill.power"} {
		if _, _, ok := Requirement(id); !ok {
			t.Errorf("%s has none", id)
		}
	}
	for _, id := range []string{"", "ports.", "ports", "kill.power.more", "nothing"} {
		if _, _, ok := Requirement(id); ok {
			t.Errorf("%q has one", id)
		}
	}
}
