package tell

import (
	"encoding/json"
	"slices"
	"strings"

	"weighpost/gateway/record"
)

// Member is one member of an entry: its name and what it says, for people.
type Member struct{ Name, Says string }

// Members tells every member of an entry that says something, in the order of the entry, but for its schema, its id, its place and
// its site. The error says that the entry is no JSON object.
func Members(e record.Entry) ([]Member, error) {
	list, err := membersOf(e.JSON)
	if err != nil {
		return nil, err
	}
	var all []Member
	for _, m := range list {
		if slices.Contains([]string{"schema", "id", "seq", "site"}, m.name) {
			continue
		}
		if text := say(m); text != "" {
			name := memberName(m.name)
			all = append(all, Member{name, strings.TrimPrefix(text, name+": ")})
		}
	}
	return all, nil
}

// Change is one thing that was something else before. None is the empty text.
type Change struct{ Name, Old, New string }

// Changes gives what changed with an entry, where the entry says what was before.
func Changes(e record.Entry) []Change {
	list, err := membersOf(e.JSON)
	if err != nil {
		return nil
	}
	before, after := valueOf(list, "before"), valueOf(list, "after")
	switch {
	case e.Kind == record.KindContextChanged:
		return contextChanges(before, after)
	case e.Kind == record.KindClockChanged:
		return changed(nil, "clock", textOf(list, "from"), textOf(list, "state"))
	case e.Kind == record.KindLayoutChanged, e.Kind == record.KindSinkMoved, e.Kind == record.KindConfigured:
		return changed(nil, map[record.Kind]string{record.KindLayoutChanged: "layout", record.KindSinkMoved: "destination",
			record.KindConfigured: "configuration"}[e.Kind], textOf(list, "from"), textOf(list, "to"))
	case e.Kind == record.KindSampleAnnounced:
		return objectChanges(before, valueOf(list, "sample"))
	}
	return objectChanges(before, after)
}

func changed(all []Change, name, before, after string) []Change {
	if before == after {
		return all
	}
	return append(all, Change{name, before, after})
}

// contextChanges compares what a balance's weighings were tied to before and after.
func contextChanges(before, after json.RawMessage) (all []Change) {
	var was, is record.Context
	if json.Unmarshal(before, &was) != nil || json.Unmarshal(after, &is) != nil {
		return nil
	}
	for _, name := range []string{record.ItemPerson, record.ItemSample, record.ItemMethod, record.ItemRun, record.ItemLot} {
		all = changed(all, name, learnt(was.Get(name)), learnt(is.Get(name)))
	}
	names := map[string]string{}
	for _, c := range []record.Context{was, is} {
		for name := range c.Fields {
			names[name] = ""
		}
	}
	for _, name := range sortedKeys(names) {
		all = changed(all, spaced(name), was.Fields[name], is.Fields[name])
	}
	return all
}

// objectChanges compares two objects, member by member. Where there was none before nothing changed: it began.
func objectChanges(before, after json.RawMessage) (all []Change) {
	was, err := membersOf(before)
	if err != nil {
		return nil
	}
	is, err := membersOf(after)
	if err != nil {
		return nil
	}
	words := func(list []member, name string) string {
		m := member{name, valueOf(list, name)}
		if m.raw == nil {
			return ""
		}
		return strings.TrimPrefix(say(m), memberName(name)+": ")
	}
	for _, m := range was {
		all = changed(all, memberName(m.name), words(was, m.name), words(is, m.name))
	}
	for _, m := range is {
		if valueOf(was, m.name) == nil {
			all = changed(all, memberName(m.name), "", words(is, m.name))
		}
	}
	return all
}
