// Package strict reads the YAML that people write for weighpost: configuration and layouts. It owns the rules of what such
// a file may hold, and the places of mistakes; what the keys mean is the business of the rooms whose structs it fills.
//
// Everything wrong is found in one go, each fault with line and column, what is wrong and what is allowed:
//
//	weighpost.yaml:7:5: balances[0].port.speeed: unknown key "speeed": did you mean "speed"?; allowed: address, speed, …
//
// A file is one document of UTF-8, at most 1 MiB and 32 levels deep. Anchors, aliases, merge keys, tags, directives and
// keys that are no plain word are refused, as are repeated keys, unknown keys and keys without a value. A whole number is
// written in decimal digits and in no other way (09600, 0x1F and 1_000 are refused rather than read), a switch is true or
// false, and where a text is wanted an unquoted value is taken exactly as it is written: "site: 012" is the text 012.
//
// Package goccy/go-yaml splits the text; a tree of our own is built from it and checked to hold every piece of text that
// the file holds, so that nothing a person wrote is passed over in silence.
package strict

import (
	"fmt"
	"reflect"
)

const (
	maxBytes  = 1 << 20 // of one file
	maxDepth  = 32      // of mappings and lists within each other
	maxFaults = 1000    // reported for one file
)

// Doc is a file that was read: it knows where each value stands.
type Doc struct {
	name   string
	root   *node
	failed map[string]bool // paths at which a fault was found while reading; later checks keep quiet about them
}

// Load reads one file into a pointer to a struct. Values that the file does not mention are left as they are, so defaults
// are set beforehand. The faults are sorted by position and nil if there are none; the Doc is never nil. What could be
// read is in the struct even if there are faults, so that further checks can be made in the same go.
func Load(name string, src []byte, into any) (*Doc, Faults) {
	d := &Doc{name: name, failed: map[string]bool{}}
	root, faults := parse(name, src)
	if root == nil {
		d.failed[""] = true // without a tree every further check would complain about what is missing
		return d, faults.tidy()
	}
	d.root = root
	for _, f := range faults {
		d.failed[f.Path] = true
	}
	w := walker{doc: d, faults: faults}
	w.into(root, "", into)
	return d, w.faults.tidy()
}

// Node is a part of a file that is read later, once it is known into what: field of a struct that Load fills.
type Node struct {
	doc  *Doc
	n    *node
	path string
}

// Load reads the part into one or more pointers to structs. With several, each key belongs to the first that knows it.
func (n Node) Load(into ...any) Faults {
	if n.n == nil {
		return nil
	}
	w := walker{doc: n.doc}
	w.into(n.n, n.path, into...)
	return w.faults.tidy()
}

// Key gives the text of a plain value in the part, for the key that tells the kind.
func (n Node) Key(key string) (string, bool) {
	if n.n == nil || n.n.kind != mapping {
		return "", false
	}
	v := n.n.get(key)
	if v == nil || v.kind != scalar {
		return "", false
	}
	return v.text, true
}

// IsZero says that the file does not hold the part.
func (n Node) IsZero() bool { return n.n == nil }

// structs gives the structs behind the pointers.
func structs(into []any) ([]reflect.Value, error) {
	var all []reflect.Value
	for _, p := range into {
		v := reflect.ValueOf(p)
		if v.Kind() != reflect.Pointer || v.IsNil() || v.Elem().Kind() != reflect.Struct {
			return nil, fmt.Errorf("strict: %T is no pointer to a struct", p)
		}
		all = append(all, v.Elem())
	}
	return all, nil
}
