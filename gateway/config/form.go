package config

import (
	"bytes"
	"encoding"
	"encoding/json"
	"fmt"
	"maps"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"

	"weighpost/gateway/intake"
	"weighpost/parsers/strict"
)

// Form is the configuration as a file would have it, as JSON values (objects, lists, texts, json.Number, true and false):
// what is as it would be if nothing were written is left out. Of a secret it says where it is kept. With redact, the part of
// an address after its question mark is withheld as in Redacted; without, the Form is for use within this program only.
func (c *Config) Form(redact bool) map[string]any {
	written := *c
	for _, path := range written.paths() {
		if *path == "" || filepath.IsAbs(*path) {
			continue
		}
		if rel, err := filepath.Rel(filepath.Dir(c.file), *path); err == nil {
			*path = rel
		}
	}
	f := former{redact}
	return f.object(reflect.ValueOf(written), reflect.ValueOf(Config{}))
}

type former struct{ redact bool }

// object gives the keys of a struct whose values are other than those of unwritten.
func (f former) object(v, unwritten reflect.Value) map[string]any {
	o, base := map[string]any{}, map[string]reflect.Value{}
	for _, p := range pairs(unwritten) {
		base[p.key] = p.value
	}
	for _, p := range pairs(v) {
		if was, known := base[p.key]; known && same(p.value, was) {
			continue
		}
		o[p.key] = f.value(p.value, base[p.key])
	}
	return o
}

func same(a, b reflect.Value) bool {
	var x, y bytes.Buffer
	write(&x, a)
	write(&y, b)
	return bytes.Equal(x.Bytes(), y.Bytes())
}

func (f former) value(v, unwritten reflect.Value) any {
	switch one := v.Interface().(type) {
	case intake.Rule:
		return f.rule(one)
	case Sink:
		return f.sink(one)
	case encoding.TextMarshaler:
		text, err := one.MarshalText()
		if err != nil {
			return err.Error() // which no file would be loaded with
		}
		return string(text)
	}
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		return f.value(v.Elem(), reflect.Zero(v.Elem().Type()))
	case reflect.Struct:
		if !unwritten.IsValid() || unwritten.Type() != v.Type() {
			unwritten = reflect.Zero(v.Type())
		}
		return f.object(v, unwritten)
	case reflect.Map:
		o := map[string]any{}
		for _, k := range v.MapKeys() {
			o[k.String()] = f.value(v.MapIndex(k), reflect.Zero(v.Type().Elem()))
		}
		return o
	case reflect.Slice:
		list := []any{}
		for i := range v.Len() {
			list = append(list, f.value(v.Index(i), reflect.Zero(v.Type().Elem())))
		}
		return list
	case reflect.Bool:
		return v.Bool()
	case reflect.String:
		if f.redact {
			return withoutQuery(v.String())
		}
		return v.String()
	}
	return json.Number(fmt.Sprint(v.Interface()))
}

// rule is intake.Rule as its own code reads it.
func (f former) rule(r intake.Rule) any {
	switch {
	case r.Kind == intake.Periodic:
		return map[string]any{"every": r.Every.String()}
	case r.Kind == intake.Settling && r.Settled != intake.DefaultSettled:
		return map[string]any{"settled": f.object(reflect.ValueOf(r.Settled), reflect.ValueOf(intake.DefaultSettled))}
	case r.Kind == "":
		return intake.Printed
	}
	return r.Kind
}

// sink is a Sink as its own code reads it: a key is left out where it is as NewSink has it.
func (f former) sink(s Sink) any {
	fresh, _ := NewSink(s.Kind)
	o := f.object(reflect.ValueOf(s), reflect.ValueOf(fresh))
	o["kind"] = s.Kind
	return o
}

// Unredact puts back what a Form withheld: a text of a document that stands for one of this configuration.
func (c *Config) Unredact(doc any) any { return unredact(doc, withheld(c)) }

func unredact(doc any, whole map[string]string) any {
	switch v := doc.(type) {
	case string:
		if text, known := whole[v]; known {
			return text
		}
	case []any:
		list := make([]any, len(v))
		for i := range v {
			list[i] = unredact(v[i], whole)
		}
		return list
	case map[string]any:
		o := make(map[string]any, len(v))
		for key, value := range v {
			o[key] = unredact(value, whole)
		}
		return o
	}
	return doc
}

var (
	plainKey    = regexp.MustCompile(`^([A-Za-z_][A-Za-z0-9_-]*|[0-9]{2,4})$`) // numbers are the application identifiers of gs1
	plainNumber = regexp.MustCompile(`^-?[0-9]+$`)
)

// checkForm refuses a document that cannot be the text of a configuration, with the path of each thing that is in the way.
// The keys and values themselves are judged by Load.
func checkForm(doc any, path string) (faults strict.Faults) {
	switch v := doc.(type) {
	case nil:
		return strict.Faults{{Path: path, What: "has no value: give one, or leave the key out"}}
	case []any:
		for i := range v {
			faults = append(faults, checkForm(v[i], fmt.Sprintf("%s[%d]", path, i))...)
		}
	case map[string]any:
		for _, key := range slices.Sorted(maps.Keys(v)) {
			if !plainKey.MatchString(key) || reserved(key) {
				faults = append(faults, strict.Fault{Path: path, What: fmt.Sprintf("unknown key %.60q", key)})
				continue
			}
			faults = append(faults, checkForm(v[key], strings.TrimPrefix(path+"."+key, "."))...)
		}
	case json.Number:
		if !plainNumber.MatchString(v.String()) {
			return strict.Faults{{Path: path, What: fmt.Sprintf("%.40s is no whole number", v), Allowed: "a whole number; other quantities are texts with their unit"}}
		}
	}
	return faults
}

// flowOf writes a value of a Form in flow style.
func flowOf(doc any) string {
	switch v := doc.(type) {
	case map[string]any:
		parts := []string{}
		for _, key := range orderedKeys(v) {
			parts = append(parts, flowText(key)+": "+flowOf(v[key]))
		}
		return "{" + strings.Join(parts, ", ") + "}"
	case []any:
		parts := []string{}
		for _, one := range v {
			parts = append(parts, flowOf(one))
		}
		return "[" + strings.Join(parts, ", ") + "]"
	case string:
		return flowText(v)
	}
	return fmt.Sprint(doc)
}

// orderedKeys gives the keys of an object in the order in which they are written: what it is called comes first.
func orderedKeys(o map[string]any) []string {
	keys := slices.Sorted(maps.Keys(o))
	slices.SortStableFunc(keys, func(a, b string) int { return rank(a) - rank(b) })
	return keys
}

func rank(key string) int {
	if i := slices.Index([]string{"site", "id", "name", "balance", "check", "kind", "use", "measures", "serial", "place"}, key); i >= 0 {
		return i
	}
	return 100
}

// blockOf writes a key with its value in block style, its key after so many blanks.
func blockOf(key string, doc any, indent int) []string {
	lead := strings.Repeat(" ", indent) + flowText(key) + ":"
	switch v := doc.(type) {
	case map[string]any:
		if len(v) > 0 {
			lines := []string{lead}
			for _, k := range orderedKeys(v) {
				lines = append(lines, blockOf(k, v[k], indent+2)...)
			}
			return lines
		}
	case []any:
		if len(v) > 0 && mappings(v) {
			lines := []string{lead}
			for _, one := range v {
				lines = append(lines, itemOf(one.(map[string]any), indent)...)
			}
			return lines
		}
	case string:
		return []string{lead + " " + blockText(v)}
	}
	return []string{lead + " " + flowOf(doc)}
}

func mappings(list []any) bool {
	for _, one := range list {
		if o, ok := one.(map[string]any); !ok || len(o) == 0 {
			return false
		}
	}
	return true
}

// itemOf writes a mapping as an item of a list in block style, its dash after so many blanks.
func itemOf(o map[string]any, indent int) (lines []string) {
	for _, key := range orderedKeys(o) {
		lines = append(lines, blockOf(key, o[key], indent+2)...)
	}
	lines[0] = strings.Repeat(" ", indent) + "- " + lines[0][indent+2:]
	return lines
}

// LoadForm reads a document as Form gives it as if it were the file of that name. The faults carry paths, and no lines.
func LoadForm(name string, doc map[string]any) (*Config, strict.Faults) {
	return LoadFormWith(name, doc, nil)
}

// LoadFormWith is LoadForm with layout files that are not written yet.
func LoadFormWith(name string, doc map[string]any, unwritten Unwritten) (*Config, strict.Faults) {
	if faults := checkForm(doc, ""); len(faults) > 0 {
		return nil, faults
	}
	c, faults := load(name, []byte(flowOf(doc)+"\n"), unwritten)
	for i := range faults {
		if faults[i].File == name {
			faults[i].Line, faults[i].Column = 0, 0
		}
	}
	return c, faults
}

// BalanceForm is one balance as Form has it. Its layout stays as it is written.
func BalanceForm(b intake.Config) map[string]any {
	return former{}.object(reflect.ValueOf(b), reflect.ValueOf(intake.Config{}))
}
