// Package shown reads tables of Markdown in which each row names the tests that show what it says, and finds out whether
// those tests exist. It is for tests of such tables.
package shown

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"regexp"
	"strings"
)

// Row is one row of a table that has a column headed "shown by".
type Row struct {
	Cells []string
	Tests []string // as folder.Test
	asIs  string   // the whole cell that names them
}

var inBackticks = regexp.MustCompile("`([^`]+)`")

// Rows reads the rows of every table of a page that has a column headed "shown by".
func Rows(page string) (rows []Row) {
	column, columns := -1, 0
	for line := range strings.Lines(page) {
		cells := cellsOf(line)
		switch {
		case cells == nil:
			column = -1
		case column < 0:
			columns = len(cells)
			for i, c := range cells {
				if c == "shown by" {
					column = i
				}
			}
		case strings.HasPrefix(cells[0], "---"):
		case len(cells) != columns:
			rows = append(rows, Row{Cells: cells, asIs: "has another number of cells than its table"})
		default:
			row := Row{Cells: cells, asIs: cells[column]}
			for _, m := range inBackticks.FindAllStringSubmatch(row.asIs, -1) {
				row.Tests = append(row.Tests, m[1])
			}
			rows = append(rows, row)
		}
	}
	return rows
}

// cellsOf splits a line of a table, and gives nil for any other line.
func cellsOf(line string) []string {
	line = strings.TrimSpace(line)
	if !strings.HasPrefix(line, "|") {
		return nil
	}
	cells := strings.Split(strings.Trim(line, "|"), "|")
	for i := range cells {
		cells[i] = strings.TrimSpace(cells[i])
	}
	return cells
}

// NotShown begins a cell that names no test, and says why it cannot.
const NotShown = "cannot be shown here: "

// Wrong says what is wrong with what a row names, or "".
func (r Row) Wrong(s *Sources) string {
	if len(r.Tests) == 0 {
		if !strings.HasPrefix(r.asIs, NotShown) {
			return "names no test, and does not say why it cannot be shown here: " + r.asIs
		}
		return ""
	}
	for _, name := range r.Tests {
		folder, test, _ := strings.Cut(name, ".")
		f, there := s.tests(folder)[test]
		switch {
		case !there:
			return name + " does not exist"
		case skips(f):
			return name + " is always skipped"
		}
	}
	return ""
}

// Sources finds tests by their source, for whatever system they are.
type Sources struct {
	root  string
	known map[string]map[string]*ast.FuncDecl
}

// In looks below a folder: the top of the repository.
func In(root string) *Sources {
	return &Sources{root: root, known: map[string]map[string]*ast.FuncDecl{}}
}

func (s *Sources) tests(folder string) map[string]*ast.FuncDecl {
	if found, ok := s.known[folder]; ok {
		return found
	}
	found := map[string]*ast.FuncDecl{}
	s.known[folder] = found
	names, _ := filepath.Glob(filepath.Join(s.root, folder, "*_test.go")) // fails only for a bad pattern
	for _, name := range names {
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.SkipObjectResolution)
		if err != nil {
			continue // it does not build either
		}
		for _, d := range file.Decls {
			f, ok := d.(*ast.FuncDecl)
			if ok && f.Recv == nil && (strings.HasPrefix(f.Name.Name, "Test") || strings.HasPrefix(f.Name.Name, "Fuzz")) {
				found[f.Name.Name] = f
			}
		}
	}
	return found
}

// skips says whether a test skips whatever the machine is.
func skips(f *ast.FuncDecl) bool {
	for _, statement := range f.Body.List {
		expression, ok := statement.(*ast.ExprStmt)
		if !ok {
			continue
		}
		call, ok := expression.X.(*ast.CallExpr)
		if !ok {
			continue
		}
		if method, ok := call.Fun.(*ast.SelectorExpr); ok && strings.HasPrefix(method.Sel.Name, "Skip") {
			return true
		}
	}
	return false
}
