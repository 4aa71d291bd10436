package config

import (
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
	"gopkg.in/yaml.v3"

	"weighpost/gateway/intake"
)

// ErrByHand is wrapped by errors of AddBalance that say: the place for the balance was not found for certain.
var ErrByHand = errors.New("add the balance by hand")

// AddBalance gives the text of a configuration with one more balance at the end of its list. Comments, order, style and
// line ends of the rest stay as they are; lines are added, and an empty list ([]) makes room. The name is the file's path:
// the balance's layout is found relative to its folder and has to be there already.
//
// The result was validated as a whole, and read back by a second YAML library: it says what the old text said, and the
// balance, and nothing else. The error is a strict.Faults where the result has mistakes, an id or a port that another
// balance has among them; it wraps ErrByHand where the file is laid out in a way that is not known here.
func AddBalance(name string, src []byte, b intake.Config) ([]byte, error) {
	text := splitText(src)
	if err := text.add(b); err != nil {
		return nil, err
	}
	out := text.bytes()
	c, faults := Load(name, out)
	if len(faults) > 0 {
		return nil, faults
	}
	if err := onlyAdded(src, out, c, b); err != nil {
		return nil, err
	}
	return out, nil
}

// NewText is the least configuration: a site, a folder for its journal, one balance.
func NewText(site, folder string, b intake.Config) []byte {
	return []byte("# What each key means, and every other key, stands in configs/commented.yaml. Validate this file with:\n" +
		"# weighpost validate config FILE\n" +
		"site: " + blockText(site) + "\njournal:\n  folder: " + blockText(folder) + "\nbalances:\n" + BalanceBlock(b))
}

// onlyAdded makes sure that nothing but the balance changed.
func onlyAdded(before, after []byte, c *Config, b intake.Config) error {
	byHand := func(what string) error { return fmt.Errorf("%s: %w", what, ErrByHand) }
	var was, is map[string]any
	if err := yaml.Unmarshal(before, &was); err != nil {
		return byHand("the configuration cannot be compared with what it was")
	}
	if err := yaml.Unmarshal(after, &is); err != nil {
		return byHand("the configuration would not be read by every YAML library")
	}
	old, _ := was["balances"].([]any)
	list, _ := is["balances"].([]any)
	delete(was, "balances")
	delete(is, "balances")
	if len(list) != len(old)+1 || !reflect.DeepEqual(list[:len(old)], append([]any{}, old...)) || !reflect.DeepEqual(was, is) {
		return byHand("something else in the configuration would change")
	}
	got := c.Balances[len(c.Balances)-1]
	if got.ID != b.ID || got.Serial != b.Serial || got.Place != b.Place || got.Layout != b.Layout || !got.Port.Same(b.Port) ||
		got.Capacity.String() != b.Capacity.String() || got.Readability.String() != b.Readability.String() {
		return byHand("the balance would read otherwise than it was given")
	}
	if (got.Ask == nil) != (b.Ask == nil) || b.Ask != nil && (got.Ask.Send != b.Ask.Send || got.Ask.Every != b.Ask.Every) {
		return byHand("the balance would be asked otherwise than it was given")
	}
	return nil
}

// textFile is a file line by line. Each line keeps its own end.
type textFile struct {
	lines []string // without their ends
	ends  []string // "\n", "\r\n" or "" for a last line without one
}

func splitText(src []byte) *textFile {
	t := &textFile{}
	for rest := string(src); rest != ""; {
		line, after, found := strings.Cut(rest, "\n")
		end := ""
		if found {
			end = "\n"
		}
		if found && strings.HasSuffix(line, "\r") {
			line, end = line[:len(line)-1], "\r\n"
		}
		t.lines, t.ends, rest = append(t.lines, line), append(t.ends, end), after
	}
	return t
}

func (t *textFile) bytes() []byte {
	var b strings.Builder
	for i, line := range t.lines {
		b.WriteString(line + t.ends[i])
	}
	return []byte(b.String())
}

// end is how lines of the file end.
func (t *textFile) end() string {
	if len(t.ends) > 0 && t.ends[0] != "" {
		return t.ends[0]
	}
	return "\n"
}

// insert puts lines before line n (from 0).
func (t *textFile) insert(n int, lines []string) {
	if n == len(t.lines) && n > 0 && t.ends[n-1] == "" {
		t.ends[n-1] = t.end()
	}
	ends := make([]string, len(lines))
	for i := range ends {
		ends[i] = t.end()
	}
	t.lines = append(t.lines[:n:n], append(append([]string{}, lines...), t.lines[n:]...)...)
	t.ends = append(t.ends[:n:n], append(ends, t.ends[n:]...)...)
}

// put inserts words into a line at a column, both from 1 as tokens have them. It says false where at does not stand there.
func (t *textFile) put(tk *token.Token, at, words string, behind bool) bool {
	n, col := tk.Position.Line-1, tk.Position.Column-1
	if n < 0 || n >= len(t.lines) {
		return false
	}
	runes := []rune(t.lines[n])
	if col < 0 || col >= len(runes) || string(runes[col]) != at {
		return false
	}
	if behind {
		col++
	}
	t.lines[n] = string(runes[:col]) + words + string(runes[col:])
	return true
}

func blank(line string) bool { return strings.TrimSpace(line) == "" }

// comment says whether a line is nothing but a comment, and how far in it stands.
func comment(line string) (indent int, ok bool) {
	rest := strings.TrimLeft(line, " \t")
	return len(line) - len(rest), strings.HasPrefix(rest, "#")
}

var errNotFound = fmt.Errorf("the place for the balance is not found in the configuration: %w", ErrByHand)

// root is the mapping at the top of the file.
type root struct {
	flow   *ast.MappingNode // nil in block style
	keys   []*ast.MappingValueNode
	column int // of the first key, from 1
	after  int // line (from 0) behind the last one of the document
}

// add finds the place for a balance and puts it there.
func (t *textFile) add(b intake.Config) (err error) {
	defer func() { // the parser is not ours
		if r := recover(); r != nil {
			err = errNotFound
		}
	}()
	top, err := t.parse()
	if err != nil {
		return err
	}
	i := -1
	for k, v := range top.keys {
		if v.Key.GetToken().Value == "balances" {
			i = k
		}
	}
	if i < 0 {
		return t.addKey(top, b)
	}
	v := top.keys[i]
	if list, ok := v.Value.(*ast.SequenceNode); ok && len(list.Values) > 0 {
		if list.IsFlowStyle {
			return t.addFlow(list, b)
		}
		next := top.after
		if i+1 < len(top.keys) {
			next = top.keys[i+1].Key.GetToken().Position.Line - 1
		}
		return t.addBlock(list, next, b)
	}
	return t.addFirst(top, v, b)
}

func (t *textFile) parse() (*root, error) {
	lines := strings.TrimPrefix(strings.Join(t.lines, "\n"), "\ufeff") + "\n"
	file, err := parser.ParseBytes([]byte(lines), 0)
	if err != nil {
		return nil, fmt.Errorf("the configuration is no YAML (weighpost validate config says where): %w", ErrByHand)
	}
	top := &root{after: len(t.lines)}
	for _, doc := range file.Docs {
		switch body := doc.Body.(type) {
		case *ast.MappingNode:
			top.keys = body.Values
			if body.IsFlowStyle {
				top.flow = body
			}
		case *ast.MappingValueNode:
			top.keys = []*ast.MappingValueNode{body}
		default:
			continue
		}
		if doc.End != nil {
			top.after = doc.End.Position.Line - 1
		}
	}
	if len(top.keys) == 0 {
		return nil, fmt.Errorf("the configuration is empty: %w", ErrByHand)
	}
	top.column = top.keys[0].Key.GetToken().Position.Column
	return top, nil
}

// addKey adds the list itself, at the end of the file.
func (t *textFile) addKey(top *root, b intake.Config) error {
	if top.flow != nil {
		words := ", balances: [" + flowItem(b) + "]"
		if before := significant(top.flow.End.Prev); before != nil && before.Type == token.CollectEntryType {
			words = words[1:]
		}
		if !t.put(top.flow.End, "}", words, false) {
			return errNotFound
		}
		return nil
	}
	n := top.after
	for n > 0 && blank(t.lines[n-1]) {
		n--
	}
	lead := strings.Repeat(" ", top.column-1)
	lines := append([]string{lead + "balances:"}, blockLines(b, top.column-1+t.dashes(top))...)
	for _, line := range t.lines[:n] {
		if blank(line) { // a file with blank lines has them between its parts
			lines = append([]string{""}, lines...)
			break
		}
	}
	t.insert(n, lines)
	return nil
}

// dashes says how much further in than their key the lists of the file begin.
func (t *textFile) dashes(top *root) int {
	for _, v := range top.keys {
		if list, ok := v.Value.(*ast.SequenceNode); ok && !list.IsFlowStyle && len(list.Entries) > 0 {
			return max(list.Entries[0].Start.Position.Column-v.Key.GetToken().Position.Column, 0)
		}
	}
	return 0
}

// noList is what follows the colon of a list that is empty, up to the comment.
var noList = regexp.MustCompile(`^((?:[ \t]*(?:\[[ \t]*\]|null|~))?)([ \t]*(?:#.*)?)$`)

// addFirst makes a list of a key that has no item yet: nothing, [] or null after its colon.
func (t *textFile) addFirst(top *root, v *ast.MappingValueNode, b intake.Config) error {
	n, col := v.Start.Position.Line-1, v.Start.Position.Column
	if n < 0 || n >= len(t.lines) {
		return errNotFound
	}
	if list, ok := v.Value.(*ast.SequenceNode); ok && list.IsFlowStyle && (top.flow != nil || list.End.Position.Line != list.Start.Position.Line) {
		if !t.put(list.End, "]", flowItem(b), false) {
			return errNotFound
		}
		return nil
	}
	runes := []rune(t.lines[n])
	if n == 0 {
		runes = []rune(strings.TrimPrefix(t.lines[n], "\ufeff"))
	}
	if top.flow != nil || col > len(runes) || runes[col-1] != ':' {
		return errNotFound
	}
	parts := noList.FindStringSubmatch(string(runes[col:]))
	if parts == nil {
		return errNotFound
	}
	rest := parts[2]
	if strings.TrimSpace(rest) == "" {
		rest = ""
	}
	t.lines[n] = t.lines[n][:len(t.lines[n])-len(string(runes[col:]))] + rest
	t.insert(n+1, blockLines(b, top.column-1+t.dashes(top)))
	return nil
}

// addFlow adds to a list in brackets: in the same line, or in a line of its own where the last item has one.
func (t *textFile) addFlow(list *ast.SequenceNode, b intake.Config) error {
	last := significant(list.End.Prev)
	if last == nil {
		return errNotFound
	}
	words := " " + flowItem(b)
	item := list.Values[len(list.Values)-1].GetToken().Position
	if item.Line != list.Start.Position.Line && item.Line <= len(t.lines) {
		line := t.lines[item.Line-1]
		if indent := len(line) - len(strings.TrimLeft(line, " ")); indent == item.Column-1 {
			words = t.end() + line[:indent] + flowItem(b)
		}
	}
	mark := ","
	if last.Type != token.CollectEntryType {
		words, mark = ","+words, "}"
	}
	if !t.put(last, mark, words, true) {
		return errNotFound
	}
	return nil
}

// significant gives the nearest token before that is no comment, beginning with this one.
func significant(tk *token.Token) *token.Token {
	for tk != nil && tk.Type == token.CommentType {
		tk = tk.Prev
	}
	return tk
}

// addBlock adds to a list with dashes that has items, behind the last line that belongs to the last of them. Comments that
// stand further in than the dash belong to the item above; others to what follows.
func (t *textFile) addBlock(list *ast.SequenceNode, next int, b intake.Config) error {
	starts := list.Entries
	if len(starts) == 0 || next > len(t.lines) {
		return errNotFound
	}
	last := starts[len(starts)-1].Start.Position
	indent := last.Column - 1
	n := next
	for n > last.Line {
		line := t.lines[n-1]
		if in, ok := comment(line); !blank(line) && !(ok && in <= indent) {
			break
		}
		n--
	}
	lines := blockLines(b, indent)
	if len(starts) > 1 && t.apart(last.Line-1) {
		lines = append([]string{""}, lines...)
	}
	t.insert(n, lines)
	return nil
}

// apart says whether a blank line stands above a line and the comments that go with it.
func (t *textFile) apart(n int) bool {
	for n--; n >= 0; n-- {
		if _, ok := comment(t.lines[n]); !ok {
			return blank(t.lines[n])
		}
	}
	return false
}
