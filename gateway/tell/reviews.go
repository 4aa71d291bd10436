package tell

import (
	"time"

	"weighpost/gateway/record"
)

// led says from what state to what state an act led a run, where it did.
func (m members) led() string {
	from, to := m.text("from"), m.text("to")
	if to == "" || from == to {
		return ""
	}
	return from + " to " + to
}

func (m members) runReviewed() []string {
	return []string{m.text("run", "id"), m.text("act"), m.led(), m.text("verdict"), m.say("replaced by %s", "other", "id"), m.say("check %s", "check"),
		m.text("reason"), m.say("reference %s", "ref"), m.text("by", "id")}
}

func (m members) runCorrected() []string {
	return []string{m.text("run", "id"), m.text("change"), m.text("of", "id"), m.text("field"), m.say("was %s", "before"), m.say("is %s", "after"), m.led(),
		m.text("verdict"), m.text("reason"), m.text("comment"), m.say("reference %s", "ref"), m.text("by", "id")}
}

func (m members) signature() []string {
	return []string{m.text("run", "id"), m.text("meaning"), "by " + m.text("name"), m.say("as %s", "role"), "on " + m.signed(), m.say("covers %s entries", "covers", "entries")}
}

// signed is when something was signed, by the clocks of its place, with their offset and the zone's name (21 CFR 11.50(a)(2)).
func (m members) signed() string {
	at, err := time.Parse(time.RFC3339Nano, m.text("stamp", "utc"))
	there, known := record.Stamp{UTC: record.UTC(at), Zone: m.text("stamp", "zone")}.There()
	if err != nil || !known {
		return m.text("stamp", "utc")
	}
	text := there.Format("2006-01-02 15:04:05 -07:00")
	if zone := m.text("zone"); zone != "" {
		text += " (" + zone + ")"
	}
	return text
}

func (m members) signatureRefused() []string {
	return []string{m.text("run", "id"), m.text("meaning"), m.why(), m.text("by", "id")}
}

func (m members) report() []string {
	return []string{m.text("report"), m.say("of the %s", "of"), m.text("about"), m.say("as %s", "form"), m.say("in place of %s", "replaces"), m.why(), m.text("by", "id")}
}
