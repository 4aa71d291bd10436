// Package logged is for tests only: it reads from the sources what the program says in its log, so that the catalogue of messages is
// whole, and so that nothing new is logged which nobody has judged.
package logged

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// Message is one call that logs.
type Message struct {
	Level string // debug, info, warn or error
	Text  string // what it says; … stands for what is put in at run time; "": it is no constant
	Expr  string // the source of a text that is no constant
	Room  string // the folder
	Where string // file and line
	Keys  []string
}

var levels = map[string]string{"Debug": "debug", "Info": "info", "Warn": "warn", "Error": "error",
	"DebugContext": "debug", "InfoContext": "info", "WarnContext": "warn", "ErrorContext": "error"}

// In reads the sources below a folder, without tests and what only they use. Calls of Log and LogAttrs are an error: their level is
// not seen here.
func In(root string) (all []Message, err error) {
	for _, top := range []string{"cmd", "gateway", "sinks", "parsers"} {
		err := filepath.WalkDir(filepath.Join(root, top), func(name string, d fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			if d.IsDir() && (d.Name() == "testdata" || strings.HasSuffix(d.Name(), "test") || d.Name() == "demo" || d.Name() == "needs") {
				return fs.SkipDir
			}
			if d.IsDir() || !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
				return nil
			}
			found, err := inFile(root, name)
			all = append(all, found...)
			return err
		})
		if err != nil {
			return nil, err
		}
	}
	return all, nil
}

func inFile(root, name string) (all []Message, err error) {
	source, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	set := token.NewFileSet()
	file, err := parser.ParseFile(set, name, source, 0)
	if err != nil {
		return nil, err
	}
	rel, _ := filepath.Rel(root, name)
	rel = filepath.ToSlash(rel)
	text := func(n ast.Node) string {
		return string(source[set.Position(n.Pos()).Offset:set.Position(n.End()).Offset])
	}
	ast.Inspect(file, func(n ast.Node) bool {
		call, ok := n.(*ast.CallExpr)
		if !ok {
			return true
		}
		sel, ok := call.Fun.(*ast.SelectorExpr)
		if !ok || !isLog(text(sel.X)) {
			return true
		}
		level, first := levels[sel.Sel.Name], 0
		if strings.HasSuffix(sel.Sel.Name, "Context") {
			first = 1
		}
		where := fmt.Sprintf("%s:%d", rel, set.Position(call.Pos()).Line)
		if sel.Sel.Name == "Log" || sel.Sel.Name == "LogAttrs" {
			err = fmt.Errorf("%s: a level that is worked out at run time is not seen here: call Debug, Info, Warn or Error", where)
		}
		if level == "" || len(call.Args) <= first {
			if sel.Sel.Name == "With" {
				all = append(all, Message{Level: "with", Room: path.Dir(rel), Where: where, Keys: keys(call.Args)})
			}
			return true
		}
		m := Message{Level: level, Room: path.Dir(rel), Where: where, Keys: keys(call.Args[first+1:])}
		if m.Text = constant(call.Args[first]); m.Text == "" {
			m.Expr = text(call.Args[first])
		}
		all = append(all, m)
		return true
	})
	return all, err
}

// isLog says whether the source of a receiver is that of a log.
func isLog(receiver string) bool {
	last := receiver[strings.LastIndex(receiver, ".")+1:]
	return slices.Contains([]string{"log", "Log", "logger", "Logger", "slog"}, last) && receiver != "p.log" && receiver != "e.log" // those of Windows
}

// constant is a text that stands in the source, with … for parts that do not.
func constant(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.BasicLit:
		if s, err := strconv.Unquote(e.Value); err == nil && e.Kind == token.STRING {
			return s
		}
	case *ast.BinaryExpr:
		left, right := constant(e.X), constant(e.Y)
		if left != "" || right != "" {
			return either(left) + either(right)
		}
	case *ast.ParenExpr:
		return constant(e.X)
	}
	return ""
}

func either(s string) string {
	if s == "" {
		return "…"
	}
	return s
}

// keys are the names of attributes that stand in the source.
func keys(args []ast.Expr) (all []string) {
	for i := 0; i < len(args); i += 2 {
		if k := constant(args[i]); k != "" {
			all = append(all, k)
		}
	}
	return all
}
