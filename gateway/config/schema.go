package config

import (
	"bytes"
	"encoding"
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"

	"weighpost/gateway/deliver"
	"weighpost/gateway/intake"
	"weighpost/gateway/journal"
	"weighpost/gateway/port"
	"weighpost/gateway/procedure"
	"weighpost/parsers/layout"
	"weighpost/parsers/strict"
	"weighpost/sinks/all"
)

// The tags from which the schemas are made: yaml (the key), desc (one sentence), enum ("a,b") and default.

const dialect = "https://json-schema.org/draft/2020-12/schema"

// object of JSON whose keys keep their order.
type keys []member

type member struct {
	key   string
	value any
}

// MarshalJSON writes the keys in their order, and <, > and & as they are.
func (k keys) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, m := range k {
		if i > 0 {
			b.WriteByte(',')
		}
		fmt.Fprintf(&b, "%q:", m.key)
		var one bytes.Buffer
		e := json.NewEncoder(&one)
		e.SetEscapeHTML(false)
		if err := e.Encode(m.value); err != nil {
			return nil, err
		}
		b.Write(bytes.TrimSpace(one.Bytes()))
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// required lists the keys without which a file cannot work. The checks of the rooms say the same in words.
var required = map[reflect.Type][]string{
	reflect.TypeFor[Config]():        {"site", "journal"},
	reflect.TypeFor[Journal]():       {"folder"},
	reflect.TypeFor[intake.Config](): {"id", "port", "layout"},
	reflect.TypeFor[port.Config]():   {"address"},

	reflect.TypeFor[procedure.Definition](): {"procedure", "title", "steps", "results"},
	reflect.TypeFor[procedure.Step]():       {"step", "do"},
	reflect.TypeFor[procedure.Parameter]():  {"name"},
	reflect.TypeFor[procedure.Block]():      {"name"},

	reflect.TypeFor[intake.AskConfig](): {"send"},
	reflect.TypeFor[intake.Command]():   {"send"},
}

// Schema is the JSON Schema (2020-12) of the configuration file.
func Schema() []byte { return bytes.Clone(schema()) }

// schema is made once a process: each page that is served, also anew after a change of settings, shows it.
var schema = sync.OnceValue(func() []byte {
	return document("weighpost configuration", "The file that weighpost run --config reads.", reflect.TypeFor[Config]())
})

// LayoutSchema is the JSON Schema (2020-12) of a layout file.
func LayoutSchema() []byte {
	return document("weighpost layout", "How one kind of balance prints.", layout.Keys())
}

// ProcedureSchema is the JSON Schema (2020-12) of a procedure. x-for lists the kinds of step that a key of a step is for, where it is not for
// all; a reader that does not know it passes it over, as the specification has it (JSON Schema Core 6.5).
func ProcedureSchema() []byte {
	return document("weighpost procedure", "How a result comes about, from the sample on.", reflect.TypeFor[procedure.Definition]())
}

func document(title, about string, t reflect.Type) []byte {
	k := keys{{"$schema", dialect}, {"title", title}, {"description", about}}
	k = append(k, schemaOf(t, "")...)
	out, err := k.MarshalJSON()
	if err != nil {
		panic(fmt.Sprintf("config: the schema cannot be written: %v", err))
	}
	var b bytes.Buffer
	if err := json.Indent(&b, out, "", "  "); err != nil {
		panic(fmt.Sprintf("config: the schema cannot be written: %v", err))
	}
	b.WriteByte('\n')
	return b.Bytes()
}

// schemaOf describes a Go type as the file has it.
func schemaOf(t reflect.Type, enum string) keys {
	switch t {
	case reflect.TypeFor[strict.Duration]():
		return keys{{"type", "string"}, {"pattern", `^([0-9]+(\.[0-9]+)?(us|µs|ms|s|m|h))+$`}}
	case reflect.TypeFor[journal.Size]():
		return keys{{"type", "string"}, {"pattern", `^[0-9]{1,7} ?(B|KiB|MiB|GiB|TiB)$`}}
	case reflect.TypeFor[journal.Age]():
		return keys{{"type", "string"}, {"pattern", `^[0-9]{1,5}d$`}}
	case reflect.TypeFor[strict.Secret]():
		return keys{{"type", "string"}, {"pattern", `^(file:.+|env:[A-Za-z_][A-Za-z0-9_]*)$`}}
	case reflect.TypeFor[intake.Rule]():
		return ruleSchema()
	case reflect.TypeFor[Sink]():
		return sinkSchema()
	}
	if reflect.PointerTo(t).Implements(reflect.TypeFor[encoding.TextUnmarshaler]()) {
		return keys{{"type", "string"}}
	}
	switch t.Kind() {
	case reflect.Pointer:
		return schemaOf(t.Elem(), enum)
	case reflect.Struct:
		return objectOf(properties(t), required[t])
	case reflect.Slice:
		return keys{{"type", "array"}, {"items", schemaOf(t.Elem(), enum)}}
	case reflect.Map:
		return keys{{"type", "object"}, {"additionalProperties", schemaOf(t.Elem(), enum)}}
	}
	return withEnum(scalarOf(t), t, enum)
}

func scalarOf(t reflect.Type) keys {
	switch t.Kind() {
	case reflect.Bool:
		return keys{{"type", "boolean"}}
	case reflect.String:
		return keys{{"type", "string"}}
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		return keys{{"type", "integer"}}
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		return keys{{"type", "integer"}, {"minimum", 0}}
	}
	panic(fmt.Sprintf("config: a %s in a configuration has no schema", t))
}

func withEnum(k keys, t reflect.Type, enum string) keys {
	if enum == "" {
		return k
	}
	var values []any
	for _, text := range strings.Split(enum, ",") {
		values = append(values, valueOf(t, text))
	}
	return append(k, member{"enum", values})
}

// valueOf gives the text of a tag as JSON has it.
func valueOf(t reflect.Type, text string) any {
	switch {
	case t.Kind() == reflect.Pointer:
		return valueOf(t.Elem(), text)
	case t == reflect.TypeFor[strict.Duration]():
		return text
	case t.Kind() == reflect.Bool:
		return text == "true"
	case t.Kind() == reflect.Slice:
		list := []any{}
		for _, item := range strings.Split(strings.Trim(text, "[]"), ",") {
			if item = strings.TrimSpace(item); item != "" {
				list = append(list, valueOf(t.Elem(), item))
			}
		}
		return list
	}
	if n, err := strconv.ParseInt(text, 10, 64); err == nil && t.Kind() != reflect.String {
		return n
	}
	return text
}

// properties lists the keys of a struct with their schemas.
func properties(t reflect.Type) keys {
	var all keys
	for i := range t.NumField() {
		f := t.Field(i)
		key, option, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		if option == "inline" {
			all = append(all, properties(f.Type)...)
			continue
		}
		if key == "" || key == "-" || !f.IsExported() {
			continue
		}
		s := schemaOf(f.Type, f.Tag.Get("enum"))
		if desc := f.Tag.Get("desc"); desc != "" {
			s = append(keys{{"description", desc}}, s...)
		}
		if d, ok := f.Tag.Lookup("default"); ok {
			s = append(s, member{"default", valueOf(f.Type, d)})
		}
		if kinds := procedure.For(key); t == reflect.TypeFor[procedure.Step]() && len(kinds) > 0 {
			s = append(s, member{"x-for", kinds})
		}
		all = append(all, member{key, s})
	}
	return all
}

func objectOf(properties keys, required []string) keys {
	k := keys{{"type", "object"}, {"properties", properties}, {"additionalProperties", false}}
	if len(required) > 0 {
		k = append(k, member{"required", required})
	}
	return k
}

// readsItself says whether a type reads its part of the file by code of its own.
func readsItself(t reflect.Type) bool {
	return reflect.PointerTo(t).Implements(reflect.TypeFor[strict.NodeUnmarshaler]())
}

// ruleSchema is the schema of intake.Rule, which is a word or a mapping.
func ruleSchema() keys {
	one := func(key, desc string, t reflect.Type) keys {
		return objectOf(keys{{key, append(keys{{"description", desc}}, schemaOf(t, "")...)}}, []string{key})
	}
	return keys{{"oneOf", []any{
		keys{{"enum", []string{intake.Printed, intake.Settling, intake.All}}},
		one("every", "The latest reading of each period; 100ms to 24h.", reflect.TypeFor[strict.Duration]()),
		one("settled", "Once, when a load has come to rest, with numbers of one's own.", reflect.TypeFor[intake.Settled]()),
	}}}
}

// common are the keys that every kind has, with what applies to this one where the file says nothing.
func common(kind string) keys {
	p := properties(reflect.TypeFor[deliver.Config]())
	s, _ := NewSink(kind)
	if _, ok := s.Settings.(all.Usually); !ok {
		return p
	}
	for i, m := range p {
		if entries, ok := m.value.(keys); ok && m.key == "entries" {
			entries = slices.Clone(entries)
			for j := range entries {
				if entries[j].key == "default" {
					entries[j].value = s.Delivery.Entries
				}
			}
			p[i].value = entries
		}
	}
	return p
}

// sinkSchema is one schema for each kind of sink: the common keys and the kind's own.
func sinkSchema() keys {
	var each []any
	for _, k := range all.Kinds {
		p := keys{{"kind", keys{{"description", "What kind of destination it is."}, {"const", k.Name}}}}
		p = append(p, common(k.Name)...)
		p = append(p, properties(reflect.TypeOf(k.NewConfig()).Elem())...)
		each = append(each, objectOf(p, []string{"id", "kind"}))
	}
	return keys{{"oneOf", each}}
}
