package gateway_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// faultRow is one row of the table of faults.
type faultRow struct {
	fault string
	tests []string // as folder.Test
	asIs  string   // the whole cell that names them
}

var inBackticks = regexp.MustCompile("`([^`]+)`")

// faultRows reads the rows of a page's tables whose second column is headed "shown by".
func faultRows(page string) (rows []faultRow) {
	inTable := false
	for line := range strings.Lines(page) {
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		if len(cells) != 3 {
			inTable = false
			continue
		}
		name, shown := strings.TrimSpace(cells[0]), strings.TrimSpace(cells[1])
		switch {
		case shown == "shown by":
			inTable = true
		case inTable && !strings.HasPrefix(shown, "---"):
			row := faultRow{fault: name, asIs: shown}
			for _, m := range inBackticks.FindAllStringSubmatch(shown, -1) {
				row.tests = append(row.tests, m[1])
			}
			rows = append(rows, row)
		}
	}
	return rows
}

// wrong says what is wrong with a row, or "". has says which tests a folder holds.
func (r faultRow) wrong(has func(folder string) map[string]bool) string {
	if len(r.tests) == 0 {
		if !strings.HasPrefix(r.asIs, "cannot be shown here: ") {
			return "names no test, and does not say why it cannot be shown here"
		}
		return ""
	}
	for _, name := range r.tests {
		folder, test, ok := strings.Cut(name, ".")
		if !ok || !has(folder)[test] {
			return name + " does not exist"
		}
	}
	return ""
}

// testsIn finds the tests of a folder in its sources, for whatever system they are.
func testsIn(t *testing.T) func(folder string) map[string]bool {
	known := map[string]map[string]bool{}
	return func(folder string) map[string]bool {
		if found, ok := known[folder]; ok {
			return found
		}
		found := map[string]bool{}
		known[folder] = found
		names, err := filepath.Glob(filepath.Join("..", folder, "*_test.go"))
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.SkipObjectResolution)
			if err != nil {
				t.Fatal(err)
			}
			for _, d := range file.Decls {
				if f, ok := d.(*ast.FuncDecl); ok && f.Recv == nil && strings.HasPrefix(f.Name.Name, "Test") {
					found[f.Name.Name] = true
				}
			}
		}
		return found
	}
}

// TestEveryFaultNamesATestThatExists holds the table of faults to the sources.
func TestEveryFaultNamesATestThatExists(t *testing.T) {
	page, err := os.ReadFile("../testdata/faults/README.md")
	if err != nil {
		t.Fatal(err)
	}
	rows := faultRows(string(page))
	if len(rows) < 15 {
		t.Fatalf("only %d rows are found: the table has another form", len(rows))
	}
	has := testsIn(t)
	for _, row := range rows {
		if what := row.wrong(has); what != "" {
			t.Errorf("%s: %s", row.fault, what)
		}
	}
}

// TestTheTableOfFaultsCanFail shows rows that must not pass.
func TestTheTableOfFaultsCanFail(t *testing.T) {
	rows := faultRows("| fault | shown by | what is held |\n| --- | --- | --- |\n" +
		"| good | `gateway.TestArrows` | x |\n| why | cannot be shown here: no such kernel | x |\n" +
		"| gone | `gateway.TestThatWasRemoved` | x |\n| elsewhere | `gateway/journal.TestArrows` | x |\n| none | none yet | x |\n")
	has, wrong := testsIn(t), ""
	for _, row := range rows {
		if row.wrong(has) != "" {
			wrong += row.fault + " "
		}
	}
	if len(rows) != 5 || wrong != "gone elsewhere none " {
		t.Errorf("%d rows, of which are found wrong: %s", len(rows), wrong)
	}
}
