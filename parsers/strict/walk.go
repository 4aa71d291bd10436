package strict

import (
	"encoding"
	"fmt"
	"reflect"
	"strings"
)

// walker fills Go values from a tree and gathers what does not fit.
type walker struct {
	doc    *Doc
	faults Faults
}

var (
	nodeType      = reflect.TypeFor[Node]()
	textUnmarshal = reflect.TypeFor[encoding.TextUnmarshaler]()
	nodeUnmarshal = reflect.TypeFor[NodeUnmarshaler]()
)

func (w *walker) fault(line, col int, path, what, allowed string) {
	w.doc.failed[path] = true
	w.faults = append(w.faults, Fault{File: w.doc.name, Line: line, Column: col, Path: path, What: what, Allowed: allowed})
}

func (w *walker) into(n *node, path string, into ...any) {
	targets, err := structs(into)
	if err != nil {
		w.fault(n.line, n.col, path, err.Error(), "")
		return
	}
	var fields []field
	for _, t := range targets {
		fields = append(fields, fieldsOf(t)...)
	}
	w.structure(n, path, fields)
}

// field is one key that a struct knows.
type field struct {
	key   string
	enum  []string
	hint  string // what to write, where the type alone does not say it
	value reflect.Value
}

// fieldsOf lists the keys of a struct in the order of its source. Fields without a yaml tag are not part of the file.
func fieldsOf(v reflect.Value) []field {
	var all []field
	for i := range v.NumField() {
		f := v.Type().Field(i)
		name, option, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		switch {
		case option == "inline" && f.Type.Kind() == reflect.Struct:
			all = append(all, fieldsOf(v.Field(i))...)
		case name != "" && name != "-" && f.IsExported():
			one := field{key: name, value: v.Field(i), hint: f.Tag.Get("hint")}
			if e := f.Tag.Get("enum"); e != "" {
				one.enum = strings.Split(e, ",")
			}
			all = append(all, one)
		}
	}
	return all
}

func (w *walker) structure(n *node, path string, fields []field) {
	if n.kind == refused {
		return
	}
	if n.kind != mapping {
		w.wrong(n, path, "a mapping (key: value)")
		return
	}
	known := map[string]field{}
	var names []string
	for _, f := range fields {
		if _, twice := known[f.key]; !twice {
			known[f.key] = f
			names = append(names, f.key)
		}
	}
	for _, e := range n.entries {
		f, ok := known[e.key]
		if !ok {
			w.unknown(e, path, names)
			continue
		}
		before := len(w.faults)
		w.value(e.value, join(path, e.key), f.value, f.enum)
		for i := before; f.hint != "" && i < len(w.faults); i++ {
			w.faults[i].Allowed = f.hint
		}
	}
}

func (w *walker) unknown(e entry, path string, names []string) {
	what := "unknown key " + show(e.key)
	if near := nearest(e.key, names); near != "" {
		what += fmt.Sprintf(": did you mean %q?", near)
		w.doc.failed[join(path, near)] = true // that it is missing goes without saying
	}
	w.fault(e.line, e.col, join(path, e.key), what, strings.Join(names, ", "))
}

// value fills one Go value.
func (w *walker) value(n *node, path string, v reflect.Value, enum []string) {
	switch {
	case n.kind == refused:
		return
	case n.kind == null:
		w.fault(n.line, n.col, path, "has no value: give one, or leave the key out", expects(v.Type(), enum))
		return
	case v.Type() == nodeType:
		v.Set(reflect.ValueOf(Node{doc: w.doc, n: n, path: path}))
		return
	case reflect.PointerTo(v.Type()).Implements(nodeUnmarshal):
		own := v.Addr().Interface().(NodeUnmarshaler).UnmarshalNode(Node{doc: w.doc, n: n, path: path})
		w.faults = append(w.faults, own...)
		return
	case reflect.PointerTo(v.Type()).Implements(textUnmarshal):
		w.scalar(n, path, v, enum)
		return
	}
	switch v.Kind() {
	case reflect.Pointer:
		fresh := reflect.New(v.Type().Elem())
		if !v.IsNil() {
			fresh.Elem().Set(v.Elem())
		}
		w.value(n, path, fresh.Elem(), enum)
		v.Set(fresh)
	case reflect.Struct:
		w.structure(n, path, fieldsOf(v))
	case reflect.Slice:
		w.list(n, path, v, enum)
	case reflect.Map:
		w.table(n, path, v, enum)
	default:
		w.scalar(n, path, v, enum)
	}
}

func (w *walker) list(n *node, path string, v reflect.Value, enum []string) {
	if n.kind != list {
		w.wrong(n, path, "a list (each item on a line of its own after a dash)")
		return
	}
	out := reflect.MakeSlice(v.Type(), len(n.items), len(n.items))
	for i, item := range n.items {
		w.value(item, fmt.Sprintf("%s[%d]", path, i), out.Index(i), enum)
	}
	v.Set(out)
}

// table fills a map whose keys are free.
func (w *walker) table(n *node, path string, v reflect.Value, enum []string) {
	if n.kind != mapping {
		w.wrong(n, path, "a mapping (key: value)")
		return
	}
	if v.Type().Key().Kind() != reflect.String {
		w.fault(n.line, n.col, path, fmt.Sprintf("strict: the keys of %s are no strings", v.Type()), "")
		return
	}
	out := reflect.MakeMapWithSize(v.Type(), len(n.entries))
	for _, e := range n.entries {
		one := reflect.New(v.Type().Elem()).Elem()
		w.value(e.value, join(path, e.key), one, enum)
		out.SetMapIndex(reflect.ValueOf(e.key).Convert(v.Type().Key()), one)
	}
	v.Set(out)
}

// wrong reports a value of the wrong shape.
func (w *walker) wrong(n *node, path, wanted string) {
	what := "is " + n.kind.String()
	if n.kind == scalar {
		what = "is the single value " + show(n.text)
	}
	w.fault(n.line, n.col, path, what, wanted)
}
