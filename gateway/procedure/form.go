package procedure

import (
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"weighpost/parsers/strict"
)

// Form gives a definition as an object with the keys of the YAML, without what says nothing: for a form to be filled in. Write goes back.
func Form(d *Definition) map[string]any {
	b, err := json.Marshal(d)
	if err != nil {
		return map[string]any{} // texts, numbers and switches
	}
	var form map[string]any
	decoder := json.NewDecoder(strings.NewReader(string(b)))
	decoder.UseNumber()
	if decoder.Decode(&form) != nil {
		return map[string]any{}
	}
	tidy(form)
	for name := range d.Balances { // one of which nothing is asked is one all the same
		if form["balances"] == nil {
			form["balances"] = map[string]any{}
		}
		if of, is := form["balances"].(map[string]any); is && of[name] == nil {
			of[name] = map[string]any{}
		}
	}
	return form
}

// tidy takes away what says nothing.
func tidy(v any) (empty bool) {
	switch v := v.(type) {
	case map[string]any:
		for k, one := range v {
			if named, is := one.(map[string]any); is && k == "balances" && len(named) > 0 {
				for _, balance := range named {
					tidy(balance) // a balance of which nothing is asked has its name all the same
				}
			} else if tidy(one) {
				delete(v, k)
			}
		}
		return len(v) == 0
	case []any:
		for _, one := range v {
			tidy(one)
		}
		return len(v) == 0
	case string:
		return v == "" || v == "0s"
	case json.Number:
		return v == "0"
	case bool:
		return !v
	}
	return v == nil
}

// Write gives a form as YAML, for Parse. Keys come in the order of the definition's own; what is no key of it is written too, so that Parse
// tells of it. The error says that the form is too large, or holds what YAML of ours has no way to write.
func Write(form map[string]any) (string, error) {
	w := writer{}
	w.mapping(form, reflect.TypeFor[Definition](), "", 0)
	if w.err != nil {
		return "", w.err
	}
	return w.text.String(), nil
}

const maxFormDepth = 10

type writer struct {
	text strings.Builder
	err  error
}

func (w *writer) fail(format string, args ...any) {
	if w.err == nil {
		w.err = fmt.Errorf(format, args...)
	}
}

// keysOf lists the keys of a struct in the order of its source, and then what else is there.
func keysOf(form map[string]any, t reflect.Type) (keys []string, types map[string]reflect.Type) {
	types = map[string]reflect.Type{}
	if t != nil && t.Kind() == reflect.Struct {
		for i := range t.NumField() {
			key := t.Field(i).Tag.Get("yaml")
			types[key] = t.Field(i).Type
			if _, there := form[key]; there && key != "" {
				keys = append(keys, key)
			}
		}
	}
	for _, key := range slices.Sorted(maps.Keys(form)) {
		if !slices.Contains(keys, key) {
			keys = append(keys, key)
			if t != nil && t.Kind() == reflect.Map {
				types[key] = t.Elem()
			}
		}
	}
	return keys, types
}

// mapping writes keys and values. indent stands before each line but the first.
func (w *writer) mapping(form map[string]any, t reflect.Type, indent string, depth int) {
	if depth > maxFormDepth || w.text.Len() > MaxText {
		w.fail("the form is too large: %d levels and %d bytes are the most", maxFormDepth, MaxText)
		return
	}
	keys, types := keysOf(form, t)
	for i, key := range keys {
		if i > 0 {
			w.text.WriteString(indent)
		}
		w.text.WriteString(scalar(key) + ":")
		w.value(form[key], types[key], indent, depth)
	}
}

func (w *writer) value(v any, t reflect.Type, indent string, depth int) {
	switch v := v.(type) {
	case map[string]any:
		if len(v) == 0 {
			w.text.WriteString(" {}\n")
			return
		}
		w.text.WriteString("\n" + indent + "  ")
		w.mapping(v, t, indent+"  ", depth+1)
	case []any:
		w.list(v, t, indent, depth)
	case string:
		w.text.WriteString(" " + scalar(v) + "\n")
	case bool:
		w.text.WriteString(" " + strconv.FormatBool(v) + "\n")
	case json.Number:
		w.text.WriteString(" " + scalar(v.String()) + "\n")
	case float64:
		w.text.WriteString(" " + strconv.FormatFloat(v, 'f', -1, 64) + "\n")
	case int:
		w.text.WriteString(" " + strconv.Itoa(v) + "\n")
	case nil:
		w.text.WriteString("\n")
	default:
		w.fail("the form holds a %T, which has no place in it", v)
	}
}

func (w *writer) list(v []any, t reflect.Type, indent string, depth int) {
	if len(v) == 0 {
		w.text.WriteString(" []\n")
		return
	}
	var item reflect.Type
	if t != nil && t.Kind() == reflect.Slice {
		item = t.Elem()
	}
	w.text.WriteString("\n")
	for _, one := range v {
		w.text.WriteString(indent + "-")
		if form, is := one.(map[string]any); is && len(form) > 0 {
			w.text.WriteString(" ")
			w.mapping(form, item, indent+"  ", depth+1)
			continue
		}
		if _, is := one.([]any); is {
			w.fail("the form holds a list in a list, which has no place in it")
			return
		}
		w.value(one, item, indent, depth)
	}
}

var (
	plainForm = regexp.MustCompile(`^[A-Za-z0-9]([A-Za-z0-9 _.,%/()'+<>=^-]*[A-Za-z0-9_.%)])?$`)
	special   = regexp.MustCompile(`^(?i:true|false|null|yes|no|on|off|~)$`)
)

// scalar writes a text plainly where every reader of YAML takes it for the same, and else in quotes.
func scalar(s string) string {
	if plainForm.MatchString(s) && !special.MatchString(s) && !strings.Contains(s, " #") {
		return s
	}
	return strict.Quote(s)
}
