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
	default:
		plain(b, v.Interface())
	}
}

// pairs lists what a struct says: its keys in the file, and all its exported fields where it reads its part of the file
// itself.
func pairs(v reflect.Value) []pair {
	var all []pair
	for i := range v.NumField() {
		f := v.Type().Field(i)
		key, option, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		switch {
		case !f.IsExported():
		case option == "inline":
			all = append(all, pairs(v.Field(i))...)
		case key == "" && readsItself(v.Type()):
			all = append(all, pair{strings.ToLower(f.Name), v.Field(i)})
		case key != "" && key != "-":
			all = append(all, pair{key, v.Field(i)})
		}
	}
	return all
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
