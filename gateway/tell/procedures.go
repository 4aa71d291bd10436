package tell

import (
	"encoding/json"
	"fmt"
	"strings"
)

// LeftOut says how many of the items of a run its verdict says nothing of, or "".
func LeftOut(n, of int) string {
	switch {
	case n < 1:
		return ""
	case of >= n:
		return fmt.Sprintf("%d of %d left out", n, of)
	}
	return fmt.Sprintf("%d left out", n)
}

// left says how many items were left out, of those in a list that a member, or one below it, holds.
func (m members) left(items ...string) string {
	var left, all []json.RawMessage
	_ = json.Unmarshal(m["left_out"], &left) // none
	for _, name := range items[:len(items)-1] {
		var below members
		_ = json.Unmarshal(m[name], &below)
		m = below
	}
	_ = json.Unmarshal(m[items[len(items)-1]], &all)
	return LeftOut(len(left), len(all))
}

// procedure names the version that an entry is about.
func (m members) procedure(path ...string) string {
	at := func(name string) []string { return append(append([]string{}, path...), name) }
	return strings.TrimSpace(m.text(at("name")...) + " " + m.say("v%s", at("version")...))
}

func (m members) procedureChanged() []string {
	return []string{m.procedure("procedure"), m.text("change"), m.text("title"), m.why(), m.text("by", "id")}
}

func (m members) runBegun() []string {
	return []string{m.text("run", "id"), m.procedure("run", "procedure"), m.say("request %s", "request", "id"), m.text("by", "id")}
}

func (m members) runStep() []string {
	value := strings.TrimSpace(m.text("value", "digits") + " " + m.text("value", "unit") + " " + m.text("value", "text"))
	return []string{m.text("run", "id"), m.say("step %s", "step"), m.say("pass %s", "pass"), m.text("became"), value, m.text("item", "sample"), m.text("item", "container"),
		m.why(), m.text("reason")}
}

func (m members) runEnded() []string {
	return []string{m.text("run", "id"), m.procedure("run", "procedure"), m.text("state"), m.text("verdict"), m.left("items"), m.say("request %s", "request", "id"), m.text("reason")}
}

func (m members) request() []string {
	return []string{m.text("request", "id"), m.say("of %s", "request", "from"), m.text("change"), m.text("request", "procedure"), m.say("run %s", "run"), m.text("verdict"), m.left("request", "items"), m.text("reason")}
}

func (m members) container() []string {
	return []string{m.text("container", "id"), m.text("container", "sort"), m.text("change"), m.text("reason")}
}

func (m members) late() []string {
	return []string{strings.TrimSpace(m.text("value", "digits") + " " + m.text("value", "printed_unit")), m.say("weighed %s", "weighed"), m.text("context", "sample", "id"), m.text("reason"), m.text("by", "id")}
}

func (m members) lateDecided() []string {
	word := "turned down"
	if string(m["confirmed"]) == "true" {
		word = "confirmed"
	}
	return []string{m.text("entered", "id"), word, m.text("reason"), m.text("by", "id")}
}
