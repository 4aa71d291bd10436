package config

import (
	"bytes"
	"errors"
	"reflect"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// ErrNotWritten says that a file is laid out in a way in which a change cannot be put into it without touching the rest.
var ErrNotWritten = errors.New("the change cannot be put into the file as it is laid out: make it there by hand")

// Edit gives the text of a configuration after a change: src says what from says, and the result what to says; both are as
// Form gives them. Comments, order, style and line ends of what does not change stay as they are; a comment within something
// that is replaced or removed as a whole goes with it. name is the path of the file.
//
// The result was loaded, and says what to says and nothing else; otherwise the error is ErrNotWritten.
func Edit(name string, src []byte, from, to map[string]any) ([]byte, error) {
	return EditWith(name, src, from, to, nil)
}

// EditWith is Edit with layout files that are not written yet.
func EditWith(name string, src []byte, from, to map[string]any, unwritten Unwritten) ([]byte, error) {
	want, faults := LoadFormWith(name, to, unwritten)
	if len(faults) > 0 {
		return nil, faults
	}
	places := differences(from, to, nil)
	for _, coarse := range []int{0, 1} {
		e := editor{text: splitText(src), from: from, to: to}
		if (coarse > 0 || len(places) <= mostPlaces) && e.all(places, coarse) {
			out := e.text.bytes()
			got, faults := load(name, out, unwritten)
			if len(faults) == 0 && bytes.Equal(got.Redacted(), want.Redacted()) && len(Differing(got, want)) == 0 {
				return out, nil
			}
		}
	}
	return nil, ErrNotWritten
}

// mostPlaces of a text are changed one by one: each is looked for in the text as the one before has left it.
const mostPlaces = 100

// step is one step into a Form: a key of an object, or the item of a list by its identity.
type step struct{ key, id string }

// differences lists the places at which two values differ, as deep as possible.
func differences(from, to any, at []step) (all [][]step) {
	if reflect.DeepEqual(from, to) {
		return nil
	}
	below := func(s step) []step { return append(slices.Clone(at), s) }
	old, oldObject := from.(map[string]any)
	next, nextObject := to.(map[string]any)
	if oldObject && nextObject {
		for _, key := range union(old, next) {
			all = append(all, differences(old[key], next[key], below(step{key: key}))...)
		}
		return all
	}
	before, beforeListed := identified(from)
	after, afterListed := identified(to)
	kept := func(list []string, other map[string]any) []string {
		return slices.DeleteFunc(slices.Clone(list), func(id string) bool { return other[id] == nil })
	}
	if !beforeListed || !afterListed || len(after.order) == 0 || len(kept(before.order, after.by)) == 0 ||
		!slices.Equal(kept(before.order, after.by), kept(after.order, before.by)) {
		return [][]step{at}
	}
	for i, id := range after.order { // what is new can only be added at the end
		if before.by[id] == nil && i < len(after.order)-1 && before.by[after.order[i+1]] != nil {
			return [][]step{at}
		}
	}
	for _, id := range before.order {
		all = append(all, differences(before.by[id], after.by[id], below(step{id: id}))...)
	}
	for _, id := range after.order {
		if before.by[id] == nil {
			all = append(all, below(step{id: id}))
		}
	}
	return all
}

// ids is a list whose items have an identity each.
type ids struct {
	by    map[string]any
	order []string
}

func identified(v any) (ids, bool) {
	list, ok := v.([]any)
	if !ok {
		return ids{}, false
	}
	i := ids{by: map[string]any{}}
	for _, one := range list {
		o, _ := one.(map[string]any)
		id := identity(o)
		if id == "" || i.by[id] != nil {
			return ids{}, false
		}
		i.by[id], i.order = one, append(i.order, id)
	}
	return i, true
}

// identities are keys that tell the items of a list apart, each where those before it are not there.
var identities = []string{"id", "name", "balance", "check"}

// identity is what tells an item of a list apart from the others, or "".
func identity(o map[string]any) string {
	for _, key := range identities {
		if id, there := o[key]; there {
			text, _ := id.(string)
			return text
		}
	}
	return ""
}

// valueAt gives what a Form has at a place; nil: nothing.
func valueAt(doc any, at []step) any {
	for _, s := range at {
		if s.id != "" {
			list, _ := identified(doc)
			doc = list.by[s.id]
		} else {
			o, _ := doc.(map[string]any)
			doc = o[s.key]
		}
	}
	return doc
}

// editor changes a text.
type editor struct {
	text     *textFile
	from, to map[string]any
}

// all puts every difference into the text. Where a place is not found, what is around it is written anew; coarse: at once the
// whole part at the top.
func (e *editor) all(places [][]step, coarse int) bool {
	for _, at := range places {
		if coarse > 0 && len(at) > 0 {
			at = at[:1]
		}
		done := false
		for ; len(at) > 0 && !done; at = at[:len(at)-1] {
			done = e.one(at)
		}
		if !done {
			return false
		}
	}
	return true
}

// one writes anew what stands at one place. false: the text was not touched.
func (e *editor) one(at []step) (done bool) {
	before := textFile{slices.Clone(e.text.lines), slices.Clone(e.text.ends)}
	defer func() {
		if r := recover(); r != nil || !done { // the parser is not ours
			*e.text, done = before, false
		}
	}()
	body, err := e.document()
	if err != nil || len(at) == 0 {
		return false
	}
	where, ok := e.find(body, at[:len(at)-1])
	if !ok {
		return false
	}
	last, value := at[len(at)-1], valueAt(e.to, at)
	if last.id != "" {
		return e.item(where, last.id, value)
	}
	return e.key(where, last.key, value)
}

// place is a block of the text: a mapping or a list, and the line (from 0) behind it.
type place struct {
	node ast.Node
	end  int
}

func (e *editor) document() (place, error) {
	lines := strings.TrimPrefix(strings.Join(e.text.lines, "\n"), "\ufeff") + "\n"
	file, err := parser.ParseBytes([]byte(lines), 0)
	if err != nil || len(file.Docs) == 0 {
		return place{}, ErrNotWritten
	}
	doc := file.Docs[0]
	p := place{doc.Body, len(e.text.lines)}
	if doc.End != nil {
		p.end = doc.End.Position.Line - 1
	}
	return p, nil
}

// find goes to a place in block style. Within brackets nothing is found, so that the whole bracket is written anew.
func (e *editor) find(at place, path []step) (place, bool) {
	for _, s := range path {
		var ok bool
		if s.id != "" {
			at, _, ok = itemAt(at, s.id)
		} else {
			at, _, ok = keyAt(at, s.key)
		}
		if !ok {
			return place{}, false
		}
	}
	return at, true
}

func pairsOf(n ast.Node) ([]*ast.MappingValueNode, bool) {
	switch v := n.(type) {
	case *ast.MappingNode:
		return v.Values, !v.IsFlowStyle
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{v}, true
	}
	return nil, false
}

// keyAt finds a key of a mapping in block style: the place of its value, and the key itself.
func keyAt(at place, key string) (place, *token.Token, bool) {
	pairs, block := pairsOf(at.node)
	if !block {
		return place{}, nil, false
	}
	for i, p := range pairs {
		if p.Key.GetToken().Value != key {
			continue
		}
		end := at.end
		if i+1 < len(pairs) {
			end = pairs[i+1].Key.GetToken().Position.Line - 1
		}
		return place{p.Value, end}, p.Key.GetToken(), true
	}
	return place{}, nil, false
}

// itemAt finds the item with an identity of a list in block style: the place of its mapping, and its dash.
func itemAt(at place, id string) (place, *token.Token, bool) {
	list, ok := at.node.(*ast.SequenceNode)
	if !ok || list.IsFlowStyle || len(list.Entries) != len(list.Values) {
		return place{}, nil, false
	}
	for i, v := range list.Values {
		end := at.end
		if i+1 < len(list.Entries) {
			end = list.Entries[i+1].Start.Position.Line - 1
		}
		pairs, _ := pairsOf(v)
		if id != "" && identityAt(pairs) == id {
			return place{v, end}, list.Entries[i].Start, true
		}
	}
	return place{}, nil, false
}

// identityAt is identity of an item as the text has it.
func identityAt(pairs []*ast.MappingValueNode) string {
	for _, key := range identities {
		for _, p := range pairs {
			if p.Key.GetToken().Value == key {
				return p.Value.GetToken().Value
			}
		}
	}
	return ""
}

// trimmed is the line behind the last one of a block that stands so many blanks in: blank lines, and comments that are not
// further in, belong to what follows.
func (t *textFile) trimmed(first, end, indent int) int {
	for end > first+1 {
		line := t.lines[end-1]
		if in, ok := comment(line); !blank(line) && !(ok && in <= indent) {
			break
		}
		end--
	}
	return end
}

// replace puts lines in the place of those from first to before end, and keeps what stands before column col of the first.
func (t *textFile) replace(first, end, col int, lines []string) {
	lead := ""
	if first < len(t.lines) {
		lead = string([]rune(t.lines[first])[:col])
	}
	lastLine := end == len(t.lines)
	ending := ""
	if end > 0 && end <= len(t.ends) {
		ending = t.ends[end-1]
	}
	t.lines, t.ends = slices.Delete(t.lines, first, end), slices.Delete(t.ends, first, end)
	if len(lines) == 0 {
		return
	}
	lines = slices.Clone(lines)
	lines[0] = lead + lines[0][col:]
	t.insert(first, lines)
	if lastLine && len(t.ends) > 0 {
		t.ends[len(t.ends)-1] = ending
	}
}

// key writes a key of a mapping anew, adds it, or removes it where value is nil.
func (e *editor) key(in place, key string, value any) bool {
	pairs, block := pairsOf(in.node)
	if !block || len(pairs) == 0 {
		return false
	}
	column := pairs[0].Key.GetToken().Position.Column
	at, tk, found := keyAt(in, key)
	if !found {
		if value == nil {
			return true // it said so by default
		}
		last := pairs[len(pairs)-1].Key.GetToken().Position
		e.text.insert(e.text.trimmed(last.Line-1, in.end, column-1), blockOf(key, value, column-1))
		return true
	}
	first := tk.Position.Line - 1
	end := e.text.trimmed(first, at.end, column-1)
	if value == nil {
		if len(pairs) == 1 || !blank(string([]rune(e.text.lines[first])[:column-1])) {
			return false // what is around it goes, or begins otherwise
		}
		e.text.replace(first, end, column-1, nil)
		return true
	}
	lines := blockOf(key, value, column-1)
	if end == first+1 && len(lines) == 1 {
		lines[0] += e.remark(tk)
	}
	e.text.replace(first, end, column-1, lines)
	return true
}

// remark is the comment at the end of a line, with the blanks before it.
func (e *editor) remark(tk *token.Token) string {
	line := tk.Position.Line
	for ; tk != nil && tk.Position.Line == line; tk = tk.Next {
		if tk.Type == token.CommentType {
			runes := []rune(e.text.lines[line-1])
			at := min(tk.Position.Column, len(runes)) - 1
			for at > 0 && runes[at] != '#' {
				at--
			}
			head := strings.TrimRight(string(runes[:at]), " \t")
			return string(runes[len([]rune(head)):])
		}
	}
	return ""
}

// item writes an item of a list anew, adds it at the end, or removes it where value is nil.
func (e *editor) item(in place, id string, value any) bool {
	list, ok := in.node.(*ast.SequenceNode)
	if !ok || list.IsFlowStyle || len(list.Entries) == 0 {
		return false
	}
	o, isObject := value.(map[string]any)
	if value != nil && !isObject {
		return false
	}
	indent := list.Entries[0].Start.Position.Column - 1
	at, dash, found := itemAt(in, id)
	if !found {
		if value == nil {
			return false
		}
		last := list.Entries[len(list.Entries)-1].Start.Position.Line - 1
		lines := itemOf(o, indent)
		if len(list.Entries) > 1 && e.text.apart(last) {
			lines = append([]string{""}, lines...)
		}
		e.text.insert(e.text.trimmed(last, in.end, indent), lines)
		return true
	}
	first := dash.Position.Line - 1
	end := e.text.trimmed(first, at.end, indent)
	if value == nil {
		if len(list.Entries) == 1 {
			return false
		}
		e.text.replace(first, end, indent, nil)
		return true
	}
	if !blank(string([]rune(e.text.lines[first])[:indent])) {
		return false
	}
	e.text.replace(first, end, indent, itemOf(o, indent))
	return true
}
