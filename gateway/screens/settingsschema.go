package screens

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
)

// node is one key of the configuration, or of a layout, as the JSON Schema describes it. What it is for is said there once.
type node struct {
	Key     string
	About   string
	Type    string // object, array, map, string, integer, boolean, or capture: a word or a mapping
	Enum    []string
	Default any // nil: none is named
	Pattern string
	For     []string // of a step of a procedure: the kinds of step that have it; none: all
	Of      []*node  // keys of an object, in the order of the schema
	Item    *node    // what a list or a map holds
	Kinds   []*node  // of a list whose items are of several kinds
}

// child gives a key of an object, or nil.
func (n *node) child(key string) *node {
	if n == nil {
		return nil
	}
	for _, c := range n.Of {
		if c.Key == key {
			return c
		}
	}
	return nil
}

// schemaFile is what is read of a schema.
type schemaFile struct {
	About      string          `json:"description"`
	Type       string          `json:"type"`
	Enum       []any           `json:"enum"`
	Default    any             `json:"default"`
	Pattern    string          `json:"pattern"`
	Const      string          `json:"const"`
	For        []string        `json:"x-for"`
	Properties orderedSchemas  `json:"properties"`
	Items      *schemaFile     `json:"items"`
	More       json.RawMessage `json:"additionalProperties"`
	OneOf      []*schemaFile   `json:"oneOf"`
}

// orderedSchemas are properties in the order in which they are written.
type orderedSchemas []struct {
	key    string
	schema *schemaFile
}

func (o *orderedSchemas) UnmarshalJSON(b []byte) error {
	d := json.NewDecoder(bytes.NewReader(b))
	if _, err := d.Token(); err != nil {
		return err
	}
	for d.More() {
		t, err := d.Token()
		if err != nil {
			return err
		}
		one := &schemaFile{}
		if err := d.Decode(one); err != nil {
			return err
		}
		*o = append(*o, struct {
			key    string
			schema *schemaFile
		}{fmt.Sprint(t), one})
	}
	return nil
}

// readSchema makes nodes of a schema. The schemas are made by the program: one that cannot be read gives no keys.
func readSchema(b []byte) *node {
	var f schemaFile
	if len(b) == 0 || json.Unmarshal(b, &f) != nil {
		return &node{Type: "object"}
	}
	return nodeOf("", &f)
}

func nodeOf(key string, f *schemaFile) *node {
	n := &node{Key: key, About: f.About, Type: f.Type, Default: f.Default, Pattern: f.Pattern, For: f.For}
	for _, e := range f.Enum {
		n.Enum = append(n.Enum, fmt.Sprint(e))
	}
	for _, p := range f.Properties {
		n.Of = append(n.Of, nodeOf(p.key, p.schema))
	}
	switch {
	case len(f.OneOf) > 0 && slices.ContainsFunc(f.OneOf, func(one *schemaFile) bool { return len(one.Enum) > 0 }):
		n.Type = "capture"
		for _, one := range f.OneOf {
			n.Of = append(n.Of, nodeOf("", one).Of...)
			for _, e := range one.Enum {
				n.Enum = append(n.Enum, fmt.Sprint(e))
			}
		}
	case f.Items != nil && len(f.Items.OneOf) > 0:
		for _, one := range f.Items.OneOf {
			kind := nodeOf("", one)
			for _, p := range one.Properties {
				if p.key == "kind" {
					kind.Key = p.schema.Const
				}
			}
			n.Kinds = append(n.Kinds, kind)
		}
	case f.Items != nil:
		n.Item = nodeOf("", f.Items)
	case f.Type == "object" && len(f.Properties) == 0 && bytes.HasPrefix(bytes.TrimSpace(f.More), []byte("{")):
		var more schemaFile
		if json.Unmarshal(f.More, &more) == nil {
			n.Type, n.Item = "map", nodeOf("", &more)
		}
	}
	return n
}

// leaves walks all keys that have a value of their own.
func (n *node) leaves(path string, each func(path string, n *node)) {
	switch {
	case n.Type == "object":
		for _, c := range n.Of {
			c.leaves(strings.TrimPrefix(path+"."+c.Key, "."), each)
		}
	case n.Item != nil && n.Item.Type == "object":
		n.Item.leaves(path+"[]", each)
	case len(n.Kinds) > 0:
		for _, k := range n.Kinds {
			k.leaves(path+"["+k.Key+"]", each)
		}
	default:
		each(path, n)
		for _, c := range n.Of {
			c.leaves(path+"."+c.Key, each)
		}
	}
}
