package help

import (
	"strings"
	"testing"

	"weighpost/gateway/shown"
)

func TestEveryPageHasATitleAndCanBeAskedFor(t *testing.T) {
	all := Topics()
	if len(all) == 0 {
		t.Fatal("the manual has no pages")
	}
	for _, topic := range all {
		if !strings.HasPrefix(topic.Text, "# ") || topic.Title == "" {
			t.Errorf("the page %s does not begin with its title", topic.Name)
		}
		if page, err := Page(strings.ToUpper(topic.Name)); err != nil || page != topic {
			t.Errorf("the page %s cannot be asked for: %v", topic.Name, err)
		}
	}
	if _, err := Page("no-such-topic"); err == nil || !strings.Contains(err.Error(), "clauses") {
		t.Errorf("a page that is not there: %v", err)
	}
}

// TestEveryClauseNamesTestsThatExist holds the pages of the manual that name tests to the sources.
func TestEveryClauseNamesTestsThatExist(t *testing.T) {
	sources, clauses := shown.In("../.."), 0
	for _, topic := range Topics() {
		for _, row := range shown.Rows(topic.Text) {
			if topic.Name == "clauses" {
				clauses++
			}
			for _, what := range []string{row.Wrong(sources), row.MaySkip(sources)} {
				if what != "" {
					t.Errorf("%s: %s: %s", topic.Name, row.Cells[0], what)
				}
			}
		}
	}
	if clauses < 15 {
		t.Errorf("only %d clauses are found: the table has another form", clauses)
	}
}
