package help

import (
	"os"
	"regexp"
	"slices"
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

// TestEveryClauseHasARowAndADuty: of 21 CFR Part 11, of Annex 11 and of ISO/IEC 17025, 7.11, no clause is left out. The clauses are those of the
// texts: Part 11 as it stands in the Code of Federal Regulations, the other two from memory.
func TestEveryClauseHasARowAndADuty(t *testing.T) {
	page, err := Page("clauses")
	if err != nil {
		t.Fatal(err)
	}
	tables, duties, found := strings.Cut(page.Text, "## What remains the lab's duty")
	if !found {
		t.Fatal("the page says nothing of the lab's duty")
	}
	sections := map[string][]string{} // first cells of the rows, by heading
	for part := range strings.SplitSeq(tables, "\n## ") {
		heading, _, _ := strings.Cut(part, "\n")
		for _, row := range shown.Rows(part) {
			sections[heading] = append(sections[heading], row.Cells[0])
		}
	}
	for _, of := range []struct {
		heading, before string // of a clause in the table of duties
		clauses, duties string
	}{
		{"21 CFR Part 11", "", "11.10(a) 11.10(b) 11.10(c) 11.10(d) 11.10(e) 11.10(f) 11.10(g) 11.10(h) 11.10(i) 11.10(j) 11.10(k) 11.30 11.50(a) 11.50(b) 11.70 11.100(a) 11.100(b) 11.100(c) " +
			"11.200(a)(1) 11.200(a)(2) 11.200(a)(3) 11.200(b) 11.300(a) 11.300(b) 11.300(c) 11.300(d) 11.300(e)",
			"11.10(a) 11.10(b) 11.10(c) 11.10(d) 11.10(e) 11.10(f) 11.10(g) 11.10(h) 11.10(i) 11.10(j) 11.10(k) 11.30 11.50 11.70 11.100 11.200 11.300"},
		{"EU GMP Annex 11", "Annex 11, ", "1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17", "1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17"},
		{"ISO/IEC 17025", "ISO/IEC 17025, ", "7.11.2 7.11.3 7.11.4 7.11.5 7.11.6", "7.11.2 7.11.3 7.11.4 7.11.5 7.11.6"},
	} {
		for _, clause := range strings.Fields(of.clauses) {
			if !slices.ContainsFunc(sections[of.heading], func(cell string) bool { return names(cell, clause) }) {
				t.Errorf("%s has no row for %s", of.heading, clause)
			}
		}
		for _, clause := range strings.Fields(of.duties) {
			if !strings.Contains(duties, "\n| "+of.before+clause+" | ") {
				t.Errorf("no duty is said for %s%s", of.before, clause)
			}
		}
	}
	if names("11.10(ab) x", "11.10(a)") || names("17 x", "1") || !names("11.10(d), (g) x", "11.10(g)") || !names("1, 2, 3 *m* x", "2") || !names("7.2 x", "7") {
		t.Error("clauses are not told apart")
	}
}

// names says whether the first cell of a row begins with a clause, or with one below it; several stand behind commas, of the same section.
func names(cell, clause string) bool {
	before := ""
	for part := range strings.SplitSeq(cell, ", ") {
		word, _, more := strings.Cut(part, " ")
		if strings.HasPrefix(word, "(") {
			word = before + word
		}
		if word == clause || strings.HasPrefix(word, clause+".") || strings.HasPrefix(word, clause+"(") {
			return true
		}
		before, _, _ = strings.Cut(word, "(")
		if more {
			return false // the rest of the cell is words
		}
	}
	return false
}

// TestTroubleshootingLeadsSomewhere: each row points to a condition, a command or a page; those conditions and pages exist.
func TestTroubleshootingLeadsSomewhere(t *testing.T) {
	page, err := Page("troubleshooting")
	if err != nil {
		t.Fatal(err)
	}
	table, err := os.ReadFile("../../configs/conditions.md")
	if err != nil {
		t.Fatal(err)
	}
	code, rows := regexp.MustCompile("`([a-z]+(?:-[a-z]+)+)`"), 0
	for line := range strings.Lines(page.Text) {
		if !strings.HasPrefix(line, "| ") || strings.HasPrefix(line, "| you see") || strings.HasPrefix(line, "| ---") {
			continue
		}
		rows++
		codes := code.FindAllStringSubmatch(line, -1)
		for _, m := range codes {
			if !strings.Contains(string(table), "| `"+m[1]+"` |") {
				t.Errorf("there is no condition %s: %s", m[1], line)
			}
		}
		if len(codes) == 0 && !strings.Contains(line, "`weighpost ") {
			t.Errorf("leads nowhere: %s", line)
		}
	}
	if rows < 30 {
		t.Errorf("only %d rows are found", rows)
	}
}

// TestPagesThatAreNamedExist: wherever the manual or the README says weighpost help TOPIC.
func TestPagesThatAreNamedExist(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	named := regexp.MustCompile(`weighpost\s+help\s+([a-z][a-z-]+)`)
	for _, topic := range append(Topics(), Topic{Name: "README.md", Text: string(readme)}) {
		for _, m := range named.FindAllStringSubmatch(topic.Text, -1) {
			if _, err := Page(m[1]); err != nil {
				t.Errorf("%s: there is no page %s", topic.Name, m[1])
			}
		}
	}
}

// TestEveryPromiseOfTheReadmeIsShown holds its table of promises to the tests that it names.
func TestEveryPromiseOfTheReadmeIsShown(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	sources, rows := shown.In("../.."), shown.Rows(string(readme))
	for _, row := range rows {
		for _, what := range []string{row.Wrong(sources), row.MaySkip(sources)} {
			if what != "" {
				t.Errorf("%s: %s", row.Cells[0], what)
			}
		}
	}
	if len(rows) < 15 {
		t.Errorf("only %d promises are found", len(rows))
	}
}
