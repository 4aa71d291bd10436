package tell

import "encoding/json"

// check names a check as entries do: its definition, and why it was begun.
func (m members) check() []string {
	return []string{m.text("check", "definition"), m.text("why"), m.text("check", "id"), m.text("by", "id")}
}

func (m members) checkStep() []string {
	value := m.text("value", "digits")
	if value != "" {
		value += " " + m.text("value", "unit")
	}
	return []string{m.text("check", "definition"), m.say("step %s", "step"), m.text("name"), m.say("attempt %s", "attempt"), m.text("became"), value,
		m.say("expected %s", "expected"), m.text("answer"), m.why()}
}

func (m members) checkEnded() []string {
	return []string{m.text("check", "definition"), m.text("outcome"), m.why(), m.text("check", "id"), m.text("by", "id")}
}

func (m members) fitness() []string {
	return []string{m.text("state"), m.say("was %s", "was"), m.text("cause"), m.why(), m.text("by", "id")}
}

func (m members) reminder() []string {
	word := "due"
	var overdue bool
	if json.Unmarshal(m["overdue"], &overdue) == nil && overdue {
		word = "overdue"
	}
	return []string{m.text("definition"), word, m.say("since %s", "due")}
}

func (m members) upkeep() []string {
	return []string{m.text("act"), m.say("as found: %s", "as_found"), m.say("as left: %s", "as_left"), m.say("certificate %s", "calibration", "number"),
		m.text("note"), m.text("by", "id")}
}

func (m members) weight() []string {
	return []string{m.text("weight", "id"), m.text("change"), m.text("weight", "nominal"), m.text("weight", "class"),
		m.say("certificate %s", "weight", "certificate", "number"), m.why()}
}

func (m members) judged() []string {
	return []string{m.which("weighings"), m.text("effect"), m.say("after check %s", "check"), m.why()}
}

func (m members) closed() []string {
	return []string{m.say("check %s", "check"), m.say("%s judged", "judged"), m.say("%s affected", "affected"), m.why()}
}
