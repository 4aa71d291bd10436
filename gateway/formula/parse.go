package formula

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/builtin"
	"github.com/expr-lang/expr/conf"
	"github.com/expr-lang/expr/file"
	"github.com/expr-lang/expr/parser"
)

// grammar has the library's parser know no function of its own: whatever is called is a call, and judged here.
func grammar() *conf.Config {
	c := &conf.Config{MaxNodes: 2 * MaxNodes, Functions: conf.FunctionsTable{}, Disabled: map[string]bool{}}
	for _, f := range builtin.Builtins {
		c.Disabled[f.Name] = true
		c.Functions[f.Name] = &builtin.Function{Name: f.Name} // some take closures, and are known to the parser unless they are overridden
	}
	return c
}

// parse has the library read the tokens. A panic there, of which none is known, would be a formula that cannot be read.
func parse(source []rune, tokens []token) (root ast.Node, err error) {
	defer func() {
		if p := recover(); p != nil {
			root, err = nil, Mistakes{{Text: "the formula cannot be read: write it in simpler parts"}}
		}
	}()
	tree, err := parser.ParseWithConfig(plain(source, tokens), grammar())
	if err != nil {
		return nil, Mistakes{misread(source, tokens, err)}
	}
	if tree.Node == nil {
		return nil, Mistakes{{Text: "the formula cannot be read: write it in simpler parts"}}
	}
	return tree.Node, nil
}

// misread puts a mistake of grammar into a sentence.
func misread(source []rune, tokens []token, err error) Mistake {
	var e *file.Error
	if !errors.As(err, &e) {
		return Mistake{Text: "the formula cannot be read: write it in simpler parts"}
	}
	if strings.Contains(e.Message, "maximum allowed nodes") {
		return Mistake{Text: fmt.Sprintf("the formula has more than %d parts: divide it", MaxNodes)}
	}
	i := slices.IndexFunc(tokens, func(t token) bool { return t.at == e.From })
	if i < 0 || strings.HasPrefix(e.Message, "unexpected token EOF") {
		return mistakeAt(source, len(source), "the formula ends where something more should follow")
	}
	what := tokens[i].text
	if tokens[i].kind == 't' {
		what = `"` + what + `"`
	}
	if i > 0 {
		return mistakeAt(source, e.From, "%s does not fit behind %s: an operator is missing or one too many", clip(what), clip(tokens[i-1].text))
	}
	return mistakeAt(source, e.From, "a formula cannot begin with %s", clip(what))
}

// near names the value or function that a name was meant to be, by capitals or by one slip.
func (c *compiler) near(name string) string {
	all := slices.Concat(slices.Collect(maps.Keys(c.o.Names)), slices.Collect(maps.Keys(c.own)), slices.Collect(maps.Keys(operations)))
	slices.Sort(all)
	for _, other := range all {
		if strings.EqualFold(name, other) || oneSlip(name, other) {
			return ": perhaps " + other
		}
	}
	return ""
}

// oneSlip says whether two words differ by one letter changed, left out or added.
func oneSlip(a, b string) bool {
	if len(a) > len(b) {
		a, b = b, a
	}
	if len(b)-len(a) > 1 || len(b) < 3 {
		return false
	}
	i := 0
	for i < len(a) && a[i] == b[i] {
		i++
	}
	return a[min(len(a), i+1):] == b[min(len(b), i+1):] && len(a) == len(b) || len(a) != len(b) && a[i:] == b[i+1:]
}
