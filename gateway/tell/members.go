package tell

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"weighpost/gateway/record"
)

// longMember is up to how many bytes of JSON a member is spelt out in a sentence. A longer one, a whole configuration, is
// named with its size and hash; its text is in the NDJSON form.
const longMember = 4096

// member is a name with its value, in the order of the entry.
type member struct {
	name string
	raw  json.RawMessage
}

// membersOf splits an object.
func membersOf(raw []byte) ([]member, error) {
	d := json.NewDecoder(bytes.NewReader(raw))
	if begin, err := d.Token(); err != nil || begin != json.Delim('{') {
		return nil, cmp.Or(err, errors.New("it is no object"))
	}
	var list []member
	for d.More() {
		name, err := d.Token()
		if err != nil {
			return nil, err
		}
		text, ok := name.(string)
		if !ok {
			return nil, fmt.Errorf("a member has no name")
		}
		m := member{name: text}
		if err := d.Decode(&m.raw); err != nil {
			return nil, err
		}
		list = append(list, m)
	}
	return list, nil
}

// elsewhere are members that have a column of their own, or only say what kind of entry it is.
var elsewhere = []string{"schema", "id", "seq", "site", "balance", "stamp", "reason", "why"}

// other reads an entry of a kind that is no weighing. Every member of it is told: what has no column of its own is in What,
// also in kinds that came after this was written.
func (r *Row) other(raw []byte) error {
	list, err := membersOf(raw)
	if err != nil {
		return err
	}
	var s record.Stamp
	if stampOf(list, &s) {
		r.stamp(&s)
	}
	r.Why = cmp.Or(textOf(list, "reason"), textOf(list, "why"))
	var by record.Actor
	if raw := valueOf(list, "by"); raw != nil && json.Unmarshal(raw, &by) == nil {
		r.Person = by.ID
	}
	var p parts
	if err := r.context(list, &p); err != nil {
		return err
	}
	for _, m := range list {
		known := slices.Contains(elsewhere, m.name) || r.Kind == record.KindContextChanged && (m.name == "before" || m.name == "after")
		if known && !(m.name == "why" && r.Why != textOf(list, "why")) {
			continue
		}
		if text := say(m); text != "" {
			p = append(p, text)
		}
	}
	r.What = p.String()
	return nil
}

// stampOf finds the stamp that gives an entry its time: its member stamp, or to where that is one.
func stampOf(list []member, s *record.Stamp) bool {
	for _, name := range []string{"stamp", "to"} {
		if raw := valueOf(list, name); len(raw) > 0 && raw[0] == '{' && json.Unmarshal(raw, s) == nil && s.Clock != "" {
			return true
		}
	}
	return false
}

func valueOf(list []member, name string) json.RawMessage {
	for _, m := range list {
		if m.name == name {
			return m.raw
		}
	}
	return nil
}

func textOf(list []member, name string) (text string) {
	if json.Unmarshal(valueOf(list, name), &text) != nil {
		return ""
	}
	return text
}

// context tells a change of a context as old and new values, and puts the new ones into their columns.
func (r *Row) context(list []member, p *parts) error {
	if r.Kind != record.KindContextChanged {
		return nil
	}
	var before, after record.Context
	if err := json.Unmarshal(valueOf(list, "before"), &before); err != nil {
		return err
	}
	if err := json.Unmarshal(valueOf(list, "after"), &after); err != nil {
		return err
	}
	r.Sample, r.Person, r.Method, r.Run, r.Lot =
		learnt(after.Sample), learnt(after.Person), learnt(after.Method), learnt(after.Run), learnt(after.Lot)
	for _, name := range []string{record.ItemPerson, record.ItemSample, record.ItemMethod, record.ItemRun, record.ItemLot} {
		p.change(name, learnt(before.Get(name)), learnt(after.Get(name)))
	}
	names := maps.Clone(before.Fields)
	if names == nil {
		names = map[string]string{}
	}
	maps.Copy(names, after.Fields)
	for _, name := range sortedKeys(names) {
		p.change(spaced(name), before.Fields[name], after.Fields[name])
	}
	return nil
}

// change tells an old and a new value where they differ.
func (p *parts) change(name, before, after string) {
	p.add(before != after, "%s: %s → %s", name, cmp.Or(before, "none"), cmp.Or(after, "none"))
}

func sortedKeys(m map[string]string) []string { return slices.Sorted(maps.Keys(m)) }

// carried are members that hold bytes in base64.
var carried = map[string]bool{"frame": true, "raw": true, "send": true, "answer": true}

// say tells a member in words, or "" where it says nothing.
func say(m member) string {
	raw := bytes.TrimSpace(m.raw)
	switch string(raw) {
	case "null", `""`, "[]", "{}":
		return ""
	}
	if len(raw) > longMember {
		return fmt.Sprintf("%s: %d bytes, not shown here (SHA-256 %x)", memberName(m.name), len(raw), sha256.Sum256(raw))
	}
	if carried[m.name] {
		var b []byte
		if json.Unmarshal(raw, &b) == nil {
			return memberName(m.name) + ": " + strconv.QuoteToASCII(string(b))
		}
	}
	text := sayValue(raw)
	if text == "()" {
		return ""
	}
	return memberName(m.name) + ": " + text
}

// sayValue tells a value: a text as it is, an object and a list with their parts.
func sayValue(raw json.RawMessage) string {
	switch raw[0] {
	case '"':
		var text string
		if json.Unmarshal(raw, &text) == nil {
			return text
		}
	case '{':
		return sayObject(raw)
	case '[':
		var list []json.RawMessage
		if json.Unmarshal(raw, &list) == nil {
			texts := make([]string, len(list))
			for i := range list {
				texts[i] = sayValue(list[i])
			}
			return strings.Join(texts, ", ")
		}
	case 't':
		return "yes"
	case 'f':
		return "no"
	case 'n':
		return "none"
	}
	return string(raw)
}

// sayObject tells an object: a stamp by its time, an actor by who it was, anything else member by member.
func sayObject(raw json.RawMessage) string {
	list, err := membersOf(raw)
	if err != nil {
		return string(raw)
	}
	if utc, clock := textOf(list, "utc"), textOf(list, "clock"); utc != "" && clock != "" {
		if bound := valueOf(list, "bound_s"); string(bound) != "null" && bound != nil {
			utc += " ± " + string(bound) + " s"
		}
		return utc + " (" + clock + ")"
	}
	var p parts
	for _, m := range list {
		if text := say(m); text != "" {
			p = append(p, text)
		}
	}
	return "(" + strings.Join(p, ", ") + ")"
}
