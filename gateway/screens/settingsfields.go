package screens

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"weighpost/gateway/rights"
)

// field is one key as a form has it, or a group of keys.
type field struct {
	Kind    string // group, text, number, pick, tick, lines, ticks, items, capture
	Key     string
	Name    string // path within what the form is about
	Label   string
	About   string
	Hint    string // what applies where nothing is written, and how the file writes it
	Value   string
	On      bool
	Options []option
	Fields  []*field // of a group, in order; the rare ones are in Rare
	Rare    []*field
	Items   []*item // of a list or a map
	Blank   *item   // what another one begins as
	Map     bool    // each item has a name
	Open    bool    // a group that is not folded away
	Fits    string  // kinds of port, or of check, that have this key
	Known   string  // the list of what is often written here, by its id
	Escaped bool    // control characters are written as \r or \x02
	Secret  bool
	Loose   bool // nothing ticked is the same as nothing written
	Fixed   bool // the program would refuse another one
	Set     bool // something is written
}

type option struct {
	Value, Label string
	On           bool
}

type item struct {
	Key    string
	Fields []*field
}

// former makes fields of nodes.
type former struct {
	escaped bool                // all texts, as in a layout
	skip    []string            // paths that have a form of their own
	rare    []string            // paths that are seldom needed here
	fits    map[string]string   // which kinds of check have a key, by its path
	choices map[string][]string // by key: what is chosen from, where the settings themselves say what there is
}

// groupOf makes the fields of an object, in the order that is best for people.
func (f former) groupOf(n *node, value any, path string) *field {
	g := &field{Kind: "group", Key: n.Key, Name: path, Label: label(path, n.Key), About: n.About}
	o, _ := value.(map[string]any)
	for _, c := range arranged(path, n.Of) {
		at := strings.TrimPrefix(path+"."+c.Key, ".")
		if slices.Contains(f.skip, at) {
			continue
		}
		one := f.fieldOf(c, o[c.Key], at)
		one.Fits = portKeys[c.Key]
		if path != "port" && !strings.HasSuffix(path, ".port") {
			one.Fits = ""
		}
		if f.fits[at] != "" {
			one.Fits = f.fits[at]
		}
		_, written := o[c.Key]
		one.Set = written
		if rareKeys[at] || rareKeys["*."+c.Key] || slices.Contains(f.rare, at) {
			g.Rare = append(g.Rare, one)
			g.Open = g.Open || written
			continue
		}
		g.Fields = append(g.Fields, one)
	}
	g.Open = g.Open || mainGroups[path] || len(o) > 0 || path == ""
	return g
}

func (f former) fieldOf(n *node, value any, path string) *field {
	one := &field{Key: n.Key, Name: path, Label: label(path, n.Key), About: n.About, Hint: hint(n), Escaped: f.escaped || escapedKeys[n.Key],
		Secret: strings.HasPrefix(n.Pattern, "^(file:")}
	if names := f.choices[n.Key]; n.Type == "string" && len(names) > 0 {
		one.Kind, one.Options = "pick", chosenOf(names, plainText(value, false))
		return one
	}
	switch {
	case n.Type == "object":
		return f.groupOf(n, value, path)
	case n.Type == "capture":
		f.capture(one, n, value)
	case n.Type == "map", n.Type == "array" && n.Item != nil && n.Item.Type == "object":
		f.items(one, n, value)
	case n.Type == "array" && n.Item != nil && len(n.Item.Enum) > 0:
		one.Kind, one.Options = "ticks", ticked(n.Item.Enum, orElse(value, n.Default))
		one.Loose = n.Default == nil && value == nil
	case n.Type == "array":
		one.Kind, one.Value = "lines", strings.Join(texts(value, one.Escaped), "\n")
	case len(n.Enum) > 0:
		one.Kind, one.Options = "pick", picked(n, value)
	case n.Type == "boolean":
		one.Kind, one.On = "tick", orElse(value, n.Default) == true
	case n.Type == "integer":
		one.Kind, one.Value = "number", plainText(value, false)
	default:
		one.Kind, one.Value = "text", plainText(value, one.Escaped)
		one.Known = knownLists[path]
	}
	return one
}

// chosenOf are options of names; one that is set and is not among them stays one.
func chosenOf(names []string, now string) []option {
	list := []option{{"", "choose", now == ""}}
	if now != "" && !slices.Contains(names, now) {
		names = append(slices.Clone(names), now)
	}
	for _, name := range names {
		list = append(list, option{name, name, name == now})
	}
	return list
}

// capture is a word, or a mapping of one key.
func (f former) capture(one *field, n *node, value any) {
	one.Kind = "capture"
	o, mapping := value.(map[string]any)
	now, _ := value.(string)
	for _, word := range n.Enum {
		one.Options = append(one.Options, option{word, captureWords[word], !mapping && (now == word || now == "" && word == n.Enum[0])})
	}
	for _, c := range n.Of {
		_, on := o[c.Key]
		one.Options = append(one.Options, option{"{" + c.Key + "}", captureWords["{"+c.Key+"}"], on})
		one.Fields = append(one.Fields, f.fieldOf(c, o[c.Key], one.Name+"."+c.Key))
	}
}

// items are a list of mappings, or a map.
func (f former) items(one *field, n *node, value any) {
	one.Kind, one.Map = "items", n.Type == "map"
	another := func(key string, v any) *item {
		within := one.Name + "[]"
		if n.Item.Type == "object" {
			g := f.groupOf(n.Item, v, within)
			return &item{key, slices.Concat(g.Fields, g.Rare)}
		}
		node := *n.Item
		if one.Name == "roles" {
			node.Item = &aRight
		}
		value := f.fieldOf(&node, v, within)
		value.Label, value.Open, value.Loose = "Means", true, false
		if one.Name == "roles" {
			value.Label = "Rights"
		}
		return &item{key, []*field{value}}
	}
	if one.Map {
		o, _ := value.(map[string]any)
		for _, key := range slices.Sorted(maps.Keys(o)) {
			one.Items = append(one.Items, another(plainText(key, one.Escaped), o[key]))
		}
	} else {
		list, _ := value.([]any)
		for _, v := range list {
			one.Items = append(one.Items, another("", v))
		}
	}
	one.Blank = another("", nil)
}

// aRight is a right, which the schema of the configuration takes for any word.
var aRight = func() node { // a word of rights.All
	n := node{Type: "string"}
	for _, r := range rights.All() {
		n.Enum = append(n.Enum, string(r))
	}
	return n
}()

func orElse(value, unwritten any) any {
	if value == nil {
		return unwritten
	}
	return value
}

func ticked(words []string, value any) (list []option) {
	on := texts(value, false)
	for _, w := range words {
		list = append(list, option{w, tickWord(w), slices.Contains(on, w)})
	}
	return list
}

func tickWord(w string) string {
	if about := rightWords[rights.Right(w)]; about != "" {
		return w + ": " + about
	}
	return w
}

func picked(n *node, value any) []option {
	now, left := plainText(value, false), "left out"
	if n.Default != nil {
		left = fmt.Sprintf("%s, as by default", pickLabel(n.Key, fmt.Sprint(n.Default)))
	}
	list := []option{{"", left, now == ""}}
	for _, e := range n.Enum {
		list = append(list, option{e, pickLabel(n.Key, e), e == now})
	}
	return list
}

// texts gives the texts of a list.
func texts(value any, escaped bool) (list []string) {
	all, _ := value.([]any)
	for _, v := range all {
		list = append(list, plainText(v, escaped))
	}
	return list
}

// plainText writes a value as the file does, without quotes.
func plainText(v any, escaped bool) string {
	switch v := v.(type) {
	case nil:
		return ""
	case string:
		if escaped {
			return escape(v)
		}
		return v
	case map[string]any, []any:
		b, _ := json.Marshal(v)
		return string(b)
	}
	return fmt.Sprint(v)
}

// escape writes control characters and the backslash so that they can be seen and typed.
func escape(s string) string {
	quoted := strconv.Quote(s)
	return strings.ReplaceAll(quoted[1:len(quoted)-1], `\"`, `"`)
}

// hint says how the file writes a value, and what applies where nothing is written.
func hint(n *node) string {
	var list []string
	switch {
	case strings.Contains(n.Pattern, "(us|"):
		list = append(list, "a length of time: 500ms, 2s, 15m, 24h")
	case strings.Contains(n.Pattern, "KiB"):
		list = append(list, "a size: 64 MiB, 5 GiB")
	case strings.HasSuffix(n.Pattern, "d$"):
		list = append(list, "days: 90d")
	case strings.HasPrefix(n.Pattern, "^(file:"):
		list = append(list, "where it is kept, never the secret itself: file:secrets/NAME in the folder beside the configuration file, or env:NAME")
	case n.Type == "array" && n.Item != nil && n.Item.Type != "object" && len(n.Item.Enum) == 0:
		list = append(list, "one a line")
	}
	if hostKeys[n.Key] || strings.HasSuffix(n.Key, "_file") || strings.HasSuffix(n.Key, "_folder") {
		list = append(list, "of weighpost's own computer; one that no setting names yet is written into the configuration file there first")
	}
	if n.Default != nil && n.Type != "boolean" && len(n.Enum) == 0 {
		list = append(list, "left out: "+shownDefault(n.Default, escapedKeys[n.Key]))
	}
	return strings.Join(list, "; ")
}

func shownDefault(v any, escaped bool) string {
	if list, ok := v.([]any); ok {
		return strings.Join(texts(list, escaped), ", ")
	}
	return plainText(v, escaped)
}

// label is what a key is called: its own word, unless that says too little where it stands.
func label(path, key string) string {
	if l := labels[path]; l != "" {
		return l
	}
	if l := labels["*."+key]; l != "" {
		return l
	}
	words := strings.ReplaceAll(key, "_", " ")
	if words == "" {
		return words
	}
	return strings.ToUpper(words[:1]) + words[1:]
}

// arranged puts keys into the order that is best for people: those that are asked for first, then the rest as the schema has it.
func arranged(path string, of []*node) []*node {
	order := orders[path]
	list := slices.Clone(of)
	rank := func(n *node) int {
		if i := slices.Index(order, n.Key); i >= 0 {
			return i
		}
		return len(order)
	}
	slices.SortStableFunc(list, func(a, b *node) int { return rank(a) - rank(b) })
	return list
}
