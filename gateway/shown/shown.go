// Package shown reads tables of Markdown in which each row names the tests that show what it says, and finds out whether
// those tests exist. It is for tests of such tables.
package shown

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"regexp"
	"slices"
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
		switch known := s.tests(folder); {
		case !known.test(test):
			return name + " does not exist"
		case alwaysSkips(known[test]):
			return name + " is always skipped"
		}
	}
	return ""
}

// MaySkip says which of the tests that a row names may be skipped although nothing is said to be missing (see gateway/needs), or "".
func (r Row) MaySkip(s *Sources) string {
	for _, name := range r.Tests {
		folder, test, _ := strings.Cut(name, ".")
		switch where := s.tests(folder).skips(test, nil); where {
		case "":
		case test:
			return name + " may be skipped"
		default:
			return name + " may be skipped, in " + where
		}
	}
	return ""
}

// Sources finds tests by their source, for whatever system they are.
type Sources struct {
	root  string
	known map[string]functions
}

// In looks below a folder: the top of the repository.
func In(root string) *Sources {
	return &Sources{root: root, known: map[string]functions{}}
}

// functions are those of a folder's tests, methods too, by name.
type functions map[string][]*ast.FuncDecl

func (s *Sources) tests(folder string) functions {
	if found, ok := s.known[folder]; ok {
		return found
	}
	found := functions{}
	s.known[folder] = found
	names, _ := filepath.Glob(filepath.Join(s.root, folder, "*_test.go")) // fails only for a bad pattern
	for _, name := range names {
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.SkipObjectResolution)
		if err != nil {
			continue // it does not build either
		}
		for _, d := range file.Decls {
			if f, ok := d.(*ast.FuncDecl); ok && f.Body != nil {
				found[f.Name.Name] = append(found[f.Name.Name], f)
			}
		}
	}
	return found
}

// test says whether there is a test of a name.
func (all functions) test(name string) bool {
	return (strings.HasPrefix(name, "Test") || strings.HasPrefix(name, "Fuzz")) && slices.ContainsFunc(all[name], func(f *ast.FuncDecl) bool { return f.Recv == nil })
}

// skips names the function, a test or one that it calls in its own folder, that skips by itself; "": none does. What a machine lacks is for
// gateway/needs to say, which fails the test where nothing may be skipped; a test may leave out another operating system.
func (all functions) skips(name string, been []string) (where string) {
	if slices.Contains(been, name) {
		return ""
	}
	been = append(been, name)
	for _, f := range all[name] {
		elsewhere := map[ast.Node]bool{} // what another operating system does
		ast.Inspect(f.Body, func(n ast.Node) bool {
			if where != "" || elsewhere[n] {
				return false
			}
			switch n := n.(type) {
			case *ast.IfStmt:
				elsewhere[n.Body] = aboutSystem(n.Cond)
			case *ast.CallExpr:
				switch called := calledBy(n); {
				case called == "Skip" || called == "Skipf" || called == "SkipNow":
					where = name
				case called != name && all[called] != nil:
					where = all.skips(called, been)
				}
			}
			return true
		})
	}
	return where
}

// aboutSystem says whether a condition asks for the operating system.
func aboutSystem(condition ast.Expr) (is bool) {
	ast.Inspect(condition, func(n ast.Node) bool {
		s, ok := n.(*ast.SelectorExpr)
		is = is || ok && s.Sel.Name == "GOOS"
		return true
	})
	return is
}

// calledBy is the name of the function or method that is called; "": it has none.
func calledBy(call *ast.CallExpr) string {
	switch f := call.Fun.(type) {
	case *ast.Ident:
		return f.Name
	case *ast.SelectorExpr:
		return f.Sel.Name
	}
	return ""
}

// alwaysSkips says whether a test skips whatever the machine is.
func alwaysSkips(tests []*ast.FuncDecl) bool {
	return slices.ContainsFunc(tests, func(f *ast.FuncDecl) bool {
		return slices.ContainsFunc(f.Body.List, func(statement ast.Stmt) bool {
			expression, ok := statement.(*ast.ExprStmt)
			if !ok {
				return false
			}
			call, ok := expression.X.(*ast.CallExpr)
			return ok && strings.HasPrefix(calledBy(call), "Skip")
		})
	})
}
