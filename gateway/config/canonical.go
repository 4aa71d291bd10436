package config

import (
	"bytes"
	"crypto/sha256"
	"encoding"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"weighpost/parsers/strict"
)

// Redacted is the configuration as one JSON object in a form that does not depend on how the file is laid out: keys in a
// fixed order, numbers and lengths of time in one spelling, no comments. Of a secret it holds where it is kept, and nothing
// else: a file that holds more is never loaded. What a layout says is not part of it; each record names its layout's hash.
func (c *Config) Redacted() []byte {
	var b bytes.Buffer
	write(&b, reflect.ValueOf(*c))
	return b.Bytes()
}

// Hash is "sha256:" and the SHA-256 of Redacted in hexadecimal, as it stands in every record.
func (c *Config) Hash() string {
	sum := sha256.Sum256(c.Redacted())
	return "sha256:" + hex.EncodeToString(sum[:])
}

// pair is one key of a JSON object.
type pair struct {
	key   string
	value reflect.Value
}

func write(b *bytes.Buffer, v reflect.Value) {
	if t, ok := v.Interface().(encoding.TextMarshaler); ok {
		if v.Kind() == reflect.Pointer && v.IsNil() {
			b.WriteString("null")
			return
		}
		text, err := t.MarshalText()
		if err != nil {
			text = []byte("cannot be written: " + err.Error())
		}
		plain(b, string(text))
		return
	}
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if v.IsNil() {
			b.WriteString("null")
			return
		}
		write(b, v.Elem())
	case reflect.Struct:
		object(b, pairs(v))
	case reflect.Map:
		var all []pair
		for _, k := range v.MapKeys() {
			all = append(all, pair{k.String(), v.MapIndex(k)})
		}
		slices.SortFunc(all, func(x, y pair) int { return strings.Compare(x.key, y.key) })
		object(b, all)
	case reflect.Slice:
		b.WriteByte('[')
		for i := range v.Len() {
			if i > 0 {
				b.WriteByte(',')
			}
			write(b, v.Index(i))
		}
		b.WriteByte(']')
	case reflect.String:
		plain(b, withoutQuery(v.String()))
	default:
		plain(b, v.Interface())
	}
}

// withoutQuery gives a text as it is, unless it is an address with something after a ?.
func withoutQuery(text string) string {
	where, query, has := strings.Cut(text, "?")
	if !has || !strings.Contains(where, "://") {
		return text
	}
	sum := sha256.Sum256([]byte(query))
	return where + "?… (" + hex.EncodeToString(sum[:4]) + ")"
}

// Secrets lists where the secrets of a sink are kept, by the key under which the file names each.
func (s *Sink) Secrets() map[string]strict.Secret {
	all := map[string]strict.Secret{}
	var look func(prefix string, v reflect.Value)
	look = func(prefix string, v reflect.Value) {
		if v = inner(v); v.Kind() != reflect.Struct {
			return
		}
		if one, ok := v.Interface().(strict.Secret); ok {
			if !one.IsZero() {
				all[strings.TrimPrefix(prefix, ".")] = one
			}
			return
		}
		for _, p := range pairs(v) {
			look(prefix+"."+p.key, p.value)
		}
	}
	look("", reflect.ValueOf(s.Settings))
	return all
}

// Canonical is what Redacted says of this sink.
func (s *Sink) Canonical() string {
	var b bytes.Buffer
	write(&b, reflect.ValueOf(*s))
	return b.String()
}

// pairs lists what a struct says: its keys in the file, and all its exported fields where it reads its part of the file
// itself.
func pairs(v reflect.Value) []pair {
	var all []pair
	if !v.IsValid() {
		return nil
	}
	for i := range v.NumField() {
		f := v.Type().Field(i)
		key, option, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		switch {
		case !f.IsExported():
		case option == "inline" || f.Tag.Get("canonical") == "inline":
			all = append(all, pairs(inner(v.Field(i)))...)
		case key == "" && readsItself(v.Type()):
			all = append(all, pair{strings.ToLower(f.Name), v.Field(i)})
		case key != "" && key != "-":
			all = append(all, pair{key, v.Field(i)})
		}
	}
	return all
}

// inner is what a pointer or an interface leads to.
func inner(v reflect.Value) reflect.Value {
	for v.Kind() == reflect.Pointer || v.Kind() == reflect.Interface {
		v = v.Elem()
	}
	return v
}

func object(b *bytes.Buffer, all []pair) {
	b.WriteByte('{')
	for i, p := range all {
		if i > 0 {
			b.WriteByte(',')
		}
		plain(b, p.key)
		b.WriteByte(':')
		write(b, p.value)
	}
	b.WriteByte('}')
}

func plain(b *bytes.Buffer, v any) {
	text, err := json.Marshal(v)
	if err != nil {
		panic(fmt.Sprintf("config: %T in a configuration cannot be written: %v", v, err))
	}
	b.Write(text)
}
