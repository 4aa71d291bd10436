package config

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"unicode/utf8"

	"weighpost/parsers/strict"
)

// Difference is one thing that differs between two configurations.
type Difference struct {
	Part string // balance, sink, check, or the key at the top of the file under which it stands: page
	ID   string // of the balance or the sink, the name of the check, otherwise ""
	// Key is what differs below it, with dots: port.speed. It is "" where the part is new, gone, or in another place.
	Key      string
	From, To string // the values as JSON; "" for one that was not there
	Secret   bool   // where a secret is kept: neither is shown
}

// String says it in a sentence without its full stop.
func (d Difference) String() string {
	what := d.Part
	if d.ID != "" {
		what += " " + d.ID
	}
	switch {
	case d.Key == "" && d.From == "":
		return what + " was added"
	case d.Key == "" && d.To == "":
		return what + " was removed"
	case d.Key == "":
		return "the order of the " + d.Part + "s was changed"
	case d.Secret:
		return what + ": " + d.Key + " was changed"
	case d.From == "":
		return what + ": " + d.Key + " is now " + shorten(d.To)
	case d.To == "":
		return what + ": " + d.Key + " is no longer set"
	}
	return what + ": " + d.Key + " was changed from " + shorten(d.From) + " to " + shorten(d.To)
}

// plainPart stands for the top of the file, for a key there that has no keys below.
const plainPart = "the configuration"

// lists are the lists at the top whose members are told apart by their id, and a check by its name.
var lists = map[string]string{"balances": "balance", "sinks": "sink", "checks": "check"}

// IDKey is the key that tells the members of a list at the top apart.
func IDKey(list string) string {
	if list == "checks" {
		return "name"
	}
	return "id"
}

// Diff lists what differs between two redacted configurations, as Redacted gives them, top to bottom. The older one may be
// one that another version of the program has written: a key that it does not know counts only where it says something.
func Diff(before, after []byte) ([]Difference, error) {
	old, err := members(before)
	if err != nil {
		return nil, fmt.Errorf("the configuration before cannot be read: %w", err)
	}
	next, err := members(after)
	if err != nil {
		return nil, fmt.Errorf("the configuration cannot be read: %w", err)
	}
	var all []Difference
	for _, key := range union(old, next) {
		if part, listed := lists[key]; listed {
			all = append(all, diffList(part, IDKey(key), old[key], next[key])...)
		} else {
			all = append(all, diffValue(Difference{Part: key}, "", old[key], next[key])...)
		}
	}
	return all, nil
}

func members(b []byte) (map[string]any, error) {
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber() // as written
	var m map[string]any
	err := d.Decode(&m)
	return m, err
}

func union(a, b map[string]any) []string {
	keys := slices.Collect(maps.Keys(a))
	for k := range b {
		if _, both := a[k]; !both {
			keys = append(keys, k)
		}
	}
	slices.Sort(keys)
	return keys
}

// diffList compares two lists of balances, sinks or checks by the ids of their members, which stand under idKey.
func diffList(part, idKey string, before, after any) []Difference {
	old, oldOrder := byID(before, idKey)
	next, nextOrder := byID(after, idKey)
	var all []Difference
	both := func(id string) bool { return old[id] != nil && next[id] != nil }
	for _, id := range oldOrder {
		if next[id] == nil {
			all = append(all, Difference{Part: part, ID: id, From: text(old[id])})
		}
	}
	for _, id := range nextOrder {
		if both(id) {
			all = append(all, diffValue(Difference{Part: part, ID: id}, "", old[id], next[id])...)
		} else {
			all = append(all, Difference{Part: part, ID: id, To: text(next[id])})
		}
	}
	keep := func(order []string) []string {
		return slices.DeleteFunc(order, func(id string) bool { return !both(id) })
	}
	if from, to := keep(oldOrder), keep(nextOrder); !slices.Equal(from, to) {
		all = append(all, Difference{Part: part, From: text(from), To: text(to)})
	}
	return all
}

func byID(list any, idKey string) (byID map[string]any, order []string) {
	byID = map[string]any{}
	all, _ := list.([]any)
	for _, m := range all {
		o, _ := m.(map[string]any)
		id, _ := o[idKey].(string)
		byID[id] = m
		order = append(order, id)
	}
	return byID, order
}

// diffValue compares what stands under a key. d says whose it is.
func diffValue(d Difference, key string, before, after any) []Difference {
	old, oldObject := before.(map[string]any)
	next, nextObject := after.(map[string]any)
	if (oldObject || before == nil) && (nextObject || after == nil) && (oldObject || nextObject) {
		var all []Difference
		for _, k := range union(old, next) {
			all = append(all, diffValue(d, strings.TrimPrefix(key+"."+k, "."), old[k], next[k])...)
		}
		return all
	}
	from, to := text(before), text(after)
	if from == to || silent(from) && silent(to) {
		return nil
	}
	d.Key, d.From, d.To = key, from, to
	if key == "" { // a plain value at the top, such as the site's name
		d.Key = d.Part
		d.Part = plainPart
	}
	d.Secret = secret(before) || secret(after)
	return []Difference{d}
}

// silent says whether a value is what stands where nothing was written.
func silent(text string) bool {
	return slices.Contains([]string{"", "null", `""`, "0", "false", "[]", `"0s"`}, text)
}

// secret says whether a value tells where a secret is kept.
func secret(v any) bool {
	s, _ := v.(string)
	_, err := strict.SecretFrom(s)
	return s != "" && err == nil
}

// text writes a value as JSON, or "" for one that is not there.
func text(v any) string {
	if v == nil {
		return ""
	}
	b, err := json.Marshal(v)
	if err != nil {
		return err.Error()
	}
	return string(b)
}

func shorten(s string) string {
	const most = 200
	if len(s) <= most {
		return s
	}
	cut := most
	for !utf8.RuneStart(s[cut]) {
		cut--
	}
	return s[:cut] + "…"
}
