package strict

import (
	"fmt"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"
)

type kind int

const (
	scalar kind = iota
	null
	mapping
	list
	refused // an alias: already reported, its value is not looked at
)

func (k kind) String() string {
	return [...]string{"a single value", "no value", "a mapping (key: value)", "a list", "an alias"}[k]
}

// node is one value of a file.
type node struct {
	kind      kind
	line, col int
	text      string // of a scalar: unquoted as written, quoted with its escapes resolved
	quoted    bool   // in quotes, or a block of text
	entries   []entry
	items     []*node
}

// entry is one key of a mapping with its value.
type entry struct {
	key       string
	line, col int
	value     *node
}

func (n *node) get(key string) *node {
	for i := range n.entries {
		if n.entries[i].key == key {
			return n.entries[i].value
		}
	}
	return nil
}

// builder makes our tree out of the parser's. It notes each token that it used.
type builder struct {
	name   string
	lines  []string
	faults Faults
	used   map[*token.Token]bool
}

func (b *builder) fault(tk *token.Token, path, what, allowed string) {
	line, col := place(tk)
	b.faults = append(b.faults, Fault{File: b.name, Line: line, Column: col, Path: path, What: what, Allowed: allowed})
}

func place(tk *token.Token) (line, col int) {
	if tk == nil || tk.Position == nil {
		return 1, 1
	}
	return max(tk.Position.Line, 1), max(tk.Position.Column, 1)
}

// build turns a value of the parser into one of ours. What is refused is reported, and the rest goes on.
func (b *builder) build(n ast.Node, path string, depth int) *node {
	if n == nil {
		return &node{kind: null}
	}
	tk := n.GetToken()
	line, col := place(tk)
	if depth > maxDepth {
		b.fault(tk, path, fmt.Sprintf("lies more than %d levels deep", maxDepth), "")
		return &node{kind: refused, line: line, col: col}
	}
	switch v := n.(type) {
	case *ast.MappingNode:
		return b.mapping(v.Values, n, path, depth)
	case *ast.MappingValueNode:
		return b.mapping([]*ast.MappingValueNode{v}, n, path, depth)
	case *ast.SequenceNode:
		out := &node{kind: list, line: line, col: col}
		for i, item := range v.Values {
			at := fmt.Sprintf("%s[%d]", path, i)
			one := b.build(item, at, depth+1)
			if !v.IsFlowStyle && i < len(v.Entries) {
				b.inside(v.Entries[i].Start, one, at, true)
			}
			out.items = append(out.items, one)
		}
		return out
	case *ast.AnchorNode:
		b.fault(tk, path, "anchors (&name) are not used here: write the value out where it is needed", "")
		b.useAll(v.Name)
		return b.build(v.Value, path, depth+1)
	case *ast.AliasNode:
		b.fault(tk, path, "aliases (*name) are not used here: write the value out", "")
		b.useAll(v.Value)
		return &node{kind: refused, line: line, col: col}
	case *ast.TagNode:
		b.fault(tk, path, fmt.Sprintf("tags (%s) are not used here: leave it out", show(tk.Value)), "")
		return b.build(v.Value, path, depth+1)
	case *ast.NullNode:
		b.used[tk] = true
		return &node{kind: null, line: line, col: col}
	case *ast.LiteralNode:
		out := &node{kind: scalar, line: line, col: col, quoted: true}
		if v.Value != nil {
			b.used[v.Value.GetToken()] = true
			out.text = v.Value.Value
			b.block(v, path)
		}
		return out
	case ast.ScalarNode:
		b.used[tk] = true
		b.plain(tk, path)
		return &node{kind: scalar, line: line, col: col, text: tk.Value, quoted: quoted(tk)}
	}
	b.fault(tk, path, "this kind of YAML is not used here", "")
	return &node{kind: refused, line: line, col: col}
}

func quoted(tk *token.Token) bool {
	return tk.Type == token.SingleQuoteType || tk.Type == token.DoubleQuoteType
}

// useAll notes the token of the name of an anchor or alias.
func (b *builder) useAll(n ast.Node) {
	if n != nil {
		b.used[n.GetToken()] = true
	}
}

func (b *builder) mapping(values []*ast.MappingValueNode, n ast.Node, path string, depth int) *node {
	line, col := place(n.GetToken())
	out := &node{kind: mapping, line: line, col: col}
	flow := n.GetToken() != nil && n.GetToken().Type == token.MappingStartType
	first := map[string]int{}
	for i, v := range values {
		key, tk, ok := b.key(v.Key, path)
		if i == 0 && !flow {
			out.line, out.col = place(tk) // a block mapping begins at its first key, not at its first colon
		}
		at := join(path, key)
		value := b.build(v.Value, at, depth+1)
		if !ok {
			continue
		}
		kl, kc := place(tk)
		if colon, _ := place(v.Start); colon != kl {
			b.fault(tk, at, "the key and its colon stand in different lines", "")
			continue
		}
		if quoted(tk) && !b.closed(v.Start) {
			b.fault(tk, at, "there is something between the quotes of the key and its colon", "")
		}
		if !flow {
			b.inside(tk, value, at, false)
		}
		if before, twice := first[key]; twice {
			b.fault(tk, at, fmt.Sprintf("the key %s is already given in line %d", show(key), before), "")
			continue
		}
		first[key] = kl
		if value.line == 0 || value.kind == null {
			value.line, value.col = kl, kc
		}
		out.entries = append(out.entries, entry{key: key, line: kl, col: kc, value: value})
	}
	return out
}

// key gives the text of a key. A key that is more than a word is reported.
func (b *builder) key(n ast.MapKeyNode, path string) (text string, tk *token.Token, ok bool) {
	if n == nil {
		return "", nil, false
	}
	tk = n.GetToken()
	switch v := n.(type) {
	case *ast.MergeKeyNode:
		b.fault(tk, path, "merge keys (<<) are not used here: write the keys out", "")
		b.used[tk] = true
		return "", tk, false
	case *ast.MappingKeyNode:
		b.fault(tk, path, "a key is a plain word followed by a colon, without a question mark", "")
		b.build(v.Value, path, maxDepth) // only to note its tokens
		return "", tk, false
	case *ast.NullNode:
		b.used[tk] = true
		b.fault(tk, path, "the key is missing before the colon", "")
		return "", tk, false
	case ast.ScalarNode:
		if _, block := n.(*ast.LiteralNode); !block {
			b.used[tk] = true
			b.plain(tk, path)
			return tk.Value, tk, true
		}
	}
	b.fault(tk, path, "a key is a plain word", "")
	b.build(n, path, maxDepth)
	return "", tk, false
}
