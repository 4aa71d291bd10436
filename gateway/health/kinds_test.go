package health

import (
	"bytes"
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the table of the manual anew")

func TestTheTableIsWhole(t *testing.T) {
	seen := map[string]bool{}
	for _, k := range Kinds() {
		if seen[k.Code] || !regexp.MustCompile(`^[a-z]+(-[a-z]+)*$`).MatchString(k.Code) {
			t.Errorf("code %q is there twice, or is no name of small letters and -", k.Code)
		}
		seen[k.Code] = true
		if k.About == "" || len(k.Severities) == 0 || !strings.HasSuffix(k.Says, ".") || !strings.HasSuffix(k.Do, ".") {
			t.Errorf("%s lacks what it is about, a severity, or a sentence with its full stop", k.Code)
		}
		for _, s := range k.Severities {
			if _, known := rank[s]; !known {
				t.Errorf("%s has the severity %q", k.Code, s)
			}
		}
		for _, from := range k.Comes() {
			if _, known := kinds[from]; !known {
				t.Errorf("%s follows from %s, which is no kind", k.Code, from)
			}
		}
		if k.joint != nil {
			if says, do := k.joint("X", "balance b-1"); !strings.Contains(says, "balance b-1") || !strings.HasSuffix(do, ".") {
				t.Errorf("%s: %q %q", k.Code, says, do)
			}
		}
	}
}

// sources gives every file of Go that is not a test, parsed, by folder below the module.
func sources(t *testing.T) map[string][]*ast.File {
	t.Helper()
	found := map[string][]*ast.File{}
	root := "../.."
	for _, top := range []string{"cmd", "gateway", "sinks", "parsers"} {
		err := fs.WalkDir(os.DirFS(root), top, func(name string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
				return err
			}
			f, err := parser.ParseFile(token.NewFileSet(), filepath.Join(root, name), nil, 0)
			if err == nil {
				found[filepath.Dir(name)] = append(found[filepath.Dir(name)], f)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return found
}

// constants gives the text constants of a folder; health.X is looked up in those of this package.
func constants(files []*ast.File, ours map[string]string) map[string]string {
	values := map[string]string{}
	for _, f := range files {
		ast.Inspect(f, func(n ast.Node) bool {
			d, ok := n.(*ast.GenDecl)
			if !ok || d.Tok != token.CONST {
				return true
			}
			for _, spec := range d.Specs {
				v := spec.(*ast.ValueSpec)
				for i, name := range v.Names {
					if i >= len(v.Values) {
						continue
					}
					if value, ok := valueOf(v.Values[i], nil, ours); ok {
						values[name.Name] = value
					} else if lit, ok := v.Values[i].(*ast.BasicLit); ok && lit.Kind == token.STRING {
						values[name.Name], _ = strconv.Unquote(lit.Value)
					}
				}
			}
			return true
		})
	}
	return values
}

// valueOf is the text of a constant's name. A text that is written out at the place is no constant.
func valueOf(e ast.Expr, here, ours map[string]string) (string, bool) {
	switch e := e.(type) {
	case *ast.Ident:
		v, ok := here[e.Name]
		return v, ok
	case *ast.SelectorExpr:
		if pkg, ok := e.X.(*ast.Ident); ok && pkg.Name == "health" {
			v, ok := ours[e.Sel.Name]
			return v, ok
		}
	}
	return "", false
}

// raised gives the expression of each code that a file raises, clears, or names as a cause.
func raised(f *ast.File) (codes []ast.Expr) {
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.CompositeLit:
			kind, ok := n.Type.(*ast.SelectorExpr)
			if !ok || kind.Sel.Name != "Condition" && kind.Sel.Name != "Ref" {
				return true
			}
			if pkg, ok := kind.X.(*ast.Ident); !ok || pkg.Name != "health" {
				return true
			}
			for _, part := range n.Elts {
				if kv, ok := part.(*ast.KeyValueExpr); ok && kv.Key.(*ast.Ident).Name == "Code" {
					codes = append(codes, kv.Value)
				}
			}
		case *ast.CallExpr:
			if call, ok := n.Fun.(*ast.SelectorExpr); ok && call.Sel.Name == "Clear" && len(n.Args) == 2 && !passed(n.Args[0]) {
				codes = append(codes, n.Args[0])
			}
		}
		return true
	})
	return codes
}

// passed says whether what is cleared was declared where it was raised: a name of any kind, but no text written out.
func passed(e ast.Expr) bool {
	_, written := e.(*ast.BasicLit)
	return !written
}

// passedOn holds the places where a code comes from elsewhere, and the prefix of the constants that it may be.
var passedOn = map[string]string{"gateway/port t.Code": "Code"}

// unknownCodes says what is wrong with the codes of one folder.
func unknownCodes(dir string, files []*ast.File, ours map[string]string) (faults []string, seen []string) {
	here := constants(files, ours)
	for _, f := range files {
		for _, e := range raised(f) {
			var text bytes.Buffer
			writeExpr(&text, e)
			code, ok := valueOf(e, here, ours)
			prefix, passed := passedOn[dir+" "+text.String()]
			switch {
			case passed:
				for name, value := range here {
					if rest, is := strings.CutPrefix(name, prefix); is && rest != "" {
						seen = append(seen, value)
					}
				}
			case !ok:
				faults = append(faults, fmt.Sprintf("%s: the code %s is no constant", dir, text.String()))
			default:
				seen = append(seen, code)
			}
		}
	}
	for _, code := range seen {
		if _, known := kinds[code]; !known {
			faults = append(faults, fmt.Sprintf("%s: the code %q is not in the table of gateway/health/kinds.go", dir, code))
		}
	}
	return faults, seen
}

func writeExpr(b *bytes.Buffer, e ast.Expr) {
	switch e := e.(type) {
	case *ast.Ident:
		b.WriteString(e.Name)
	case *ast.SelectorExpr:
		writeExpr(b, e.X)
		b.WriteString("." + e.Sel.Name)
	case *ast.BasicLit:
		b.WriteString(e.Value)
	default:
		fmt.Fprintf(b, "%T", e)
	}
}

func TestEveryCodeThatIsRaisedIsInTheTable(t *testing.T) {
	all := sources(t)
	ours := constants(all["gateway/health"], nil)
	used := map[string]bool{}
	for dir, files := range all {
		if dir == "gateway/health" {
			continue
		}
		faults, seen := unknownCodes(dir, files, ours)
		for _, f := range faults {
			t.Error(f)
		}
		for _, code := range seen {
			used[code] = true
		}
	}
	for _, k := range Kinds() {
		if !used[k.Code] && !k.Joint() {
			t.Errorf("nothing raises %s any more: take it out of the table", k.Code)
		}
	}
}

func TestTheWalkFindsWhatIsWrong(t *testing.T) {
	src := `package bad
const mine = "made-up-code"
func f(b *health.Board) {
	b.Raise(health.Condition{Code: "port-lost"})
	b.Raise(health.Condition{Code: mine})
	b.Raise(health.Condition{Code: health.PortLost})
	b.Clear("port-lost", "x")
	b.Raise(health.Condition{Code: health.NoSuch})
}`
	f, err := parser.ParseFile(token.NewFileSet(), "bad.go", src, 0)
	if err != nil {
		t.Fatal(err)
	}
	faults, seen := unknownCodes("bad", []*ast.File{f}, map[string]string{"PortLost": PortLost})
	if len(faults) != 4 || !slices.Equal(seen, []string{"made-up-code", PortLost}) {
		t.Errorf("%q, seen %q", faults, seen)
	}
}

// TestTheManualHasTheTable holds configs/conditions.md to the table; -update writes it.
func TestTheManualHasTheTable(t *testing.T) {
	var b bytes.Buffer
	b.WriteString("# Conditions\n\nWhat weighpost says is wrong, on the page, at /readyz, in the metrics and on the status topic, by code. " +
		"A condition that comes from another is told under that one while it holds. Written by `go test ./gateway/health -update`.\n\n" +
		"| code | about | severity | what it says | what to do | comes from |\n| --- | --- | --- | --- | --- | --- |\n")
	for _, k := range Kinds() {
		var severities []string
		for _, s := range k.Severities {
			severities = append(severities, string(s))
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s | %s | %s |\n", k.Code, k.About, strings.Join(severities, ", "), k.Says, k.Do, strings.Join(k.Comes(), ", "))
	}
	const file = "../../configs/conditions.md"
	if *update {
		if err := os.WriteFile(file, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if got, err := os.ReadFile(file); err != nil || !bytes.Equal(got, b.Bytes()) {
		t.Errorf("%s is not what the table says (%v): go test ./gateway/health -update", file, err)
	}
}
