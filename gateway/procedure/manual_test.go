package procedure

import (
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/help"
	"weighpost/gateway/record"
)

// example takes the first indented block of the manual page.
func example(t *testing.T) string {
	t.Helper()
	page, err := help.Page("procedures")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, found := strings.Cut(page.Text, "## A small complete one\n\n")
	if !found {
		t.Fatal("the page has no complete example")
	}
	var lines []string
	for line := range strings.Lines(rest) {
		if !strings.HasPrefix(line, "    ") {
			break
		}
		lines = append(lines, line[4:])
	}
	return strings.Join(lines, "")
}

// TestTheManualsExampleRuns: what the page shows is a procedure without mistakes, and does what the page says of it.
func TestTheManualsExampleRuns(t *testing.T) {
	l := begin(t, example(t), map[string]string{"highest": "2 %"}).containers("d1", "d2")
	for _, one := range [][4]string{{"S-1", "d1", "20.0000 g", "23.0000 g"}, {"S-2", "d2", "21.0000 g", "24.2000 g"}} {
		l.act(Act{Scan: one[0]})
		l.act(Act{Scan: one[1]})
		l.weigh(one[2]).weigh(one[3])
	}
	l.waits(ForTime, "oven")
	l.later(4 * time.Hour)
	l.put(l.run.Pass(record.UTC(l.now)))
	l.actAs(ben, Act{Over: true})
	l.actAs(ben, Act{Scan: "d2"})
	l.weigh("21.0320 g")
	l.actAs(ben, Act{Scan: "d1"})
	l.weigh("20.0900 g") // 3 %: outside
	l.waits(ForAllowed, "ash")
	l.actAs(ben, Act{Repeat: "a crumb of another dish lay in it"})
	l.weigh("20.0450 g")
	l.waits(ForEnd, "")
	if got := append(l.results("ash"), l.results("average")...); !slices.Equal(got, []string{"1.50 %", "1.00 %", "1.25 %"}) {
		t.Errorf("%v", got)
	}
}

// TestTheManualNamesEveryKeyAndKind: a page that leaves one out would hide it.
func TestTheManualNamesEveryKeyAndKind(t *testing.T) {
	page, err := help.Page("procedures")
	if err != nil {
		t.Fatal(err)
	}
	words := []string{Identify, Ask, Instruct, Tare, Empty, Weigh, Compute, Decide, Confirm, Wait, Environment, "note", "repeat", "reviewer", "investigation",
		"over: items", "times", "more_while", "more", "abandon_needs_reviewer", "review", "approvals", "same_person"}
	for key := range belongs {
		words = append(words, key)
	}
	for _, f := range Functions() {
		words = append(words, f.Name)
		if !strings.Contains(page.Text, "| "+f.Says+" |") {
			t.Errorf("the manual says something else of %s than its record", f.Name)
		}
	}
	for _, w := range words {
		if !strings.Contains(page.Text, "`"+w+"`") && !strings.Contains(page.Text, "`"+w+":") && !strings.Contains(page.Text, "`"+w+" ") {
			t.Errorf("the manual does not tell of %s", w)
		}
	}
}
