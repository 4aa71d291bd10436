package config

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
)

// Written is one place at which two configurations differ, as the file says it.
type Written struct {
	Path     string // balances[b-1].port.speed
	From, To string // the lines of the file; "" where nothing is written
	Secret   bool   // where a secret is kept: the lines are withheld
}

// Rewritten lists what differs between two configurations as their files would say it, as deep as possible and in the order of
// the alphabet. What a layout says is part of its balance: its path names the file.
func Rewritten(before, after *Config) []Written {
	from, to := before.Form(true), after.Form(true)
	list := []Written{}
	for _, at := range differences(from, to, nil) {
		w := Written{Path: pathOf(at), From: linesOf(at, valueAt(from, at)), To: linesOf(at, valueAt(to, at))}
		if w.Secret = secret(valueAt(from, at)) || secret(valueAt(to, at)); w.Secret {
			w.From, w.To = withheldLine(w.From), withheldLine(w.To)
		}
		list = append(list, w)
	}
	return list
}

func withheldLine(line string) string {
	key, _, set := strings.Cut(line, ":")
	if !set {
		return ""
	}
	return key + ": …"
}

func pathOf(at []step) string {
	var b strings.Builder
	for _, s := range at {
		switch {
		case s.id != "":
			fmt.Fprintf(&b, "[%s]", s.id)
		case b.Len() > 0:
			b.WriteString("." + s.key)
		default:
			b.WriteString(s.key)
		}
	}
	return b.String()
}

// linesOf writes what stands at a place as the file has it, without what is around it.
func linesOf(at []step, value any) string {
	if value == nil || len(at) == 0 {
		return ""
	}
	last := at[len(at)-1]
	if o, ok := value.(map[string]any); ok && last.id != "" {
		return strings.Join(itemOf(o, 0), "\n")
	}
	return strings.Join(blockOf(last.key, value, 0), "\n")
}

// RewrittenKept is Rewritten for two configurations as entries of the journal hold them. Texts from outside are JSON.
func RewrittenKept(before, after json.RawMessage) ([]Written, error) {
	differences, err := Diff(before, after)
	if err != nil {
		return nil, err
	}
	list := []Written{}
	for _, d := range differences {
		w := Written{Path: d.path(), From: d.line(d.From), To: d.line(d.To), Secret: d.Secret}
		if d.Secret {
			w.From, w.To = withheldLine(w.From), withheldLine(w.To)
		}
		list = append(list, w)
	}
	return list, nil
}

func (d Difference) path() string {
	path := d.Part
	for list, part := range lists {
		if d.Part == part {
			path = list
		}
	}
	if d.Part == plainPart {
		return d.Key
	}
	if d.ID != "" {
		path += "[" + d.ID + "]"
	}
	if d.Key != "" {
		path += "." + d.Key
	}
	return path
}

// line writes a value that an entry holds as JSON as the file would.
func (d Difference) line(value string) string {
	if silent(value) {
		return ""
	}
	var v any
	decoder := json.NewDecoder(bytes.NewReader([]byte(value)))
	decoder.UseNumber()
	if decoder.Decode(&v) != nil {
		return value
	}
	v = spoken(v)
	if o, ok := v.(map[string]any); ok && d.Key == "" && len(o) > 0 {
		return strings.Join(itemOf(o, 0), "\n")
	}
	key := d.Key[strings.LastIndex(d.Key, ".")+1:]
	if key == "" {
		key = d.Part
	}
	return strings.Join(blockOf(key, v, 0), "\n")
}

// spoken leaves out of a value what stands where nothing was written.
func spoken(v any) any {
	switch v := v.(type) {
	case map[string]any:
		o := map[string]any{}
		for key, one := range v {
			if one = spoken(one); !silent(text(one)) && text(one) != "{}" {
				o[key] = one
			}
		}
		return o
	case []any:
		list := slices.Clone(v)
		for i := range list {
			list[i] = spoken(list[i])
		}
		return list
	}
	return v
}
