package tell

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/record"
)

// Line gives one line of what an entry says, as far as a person needs it to find an entry. Texts are those of the entry, also
// where they hold characters that mean something to a terminal.
func Line(e record.Entry) string {
	var all members
	if err := json.Unmarshal(e.JSON, &all); err != nil {
		return "cannot be read: " + err.Error()
	}
	tell, known := tellers[e.Kind]
	if !known {
		tell = members.others
	}
	return strings.Join(slices.DeleteFunc(tell(all), func(s string) bool { return strings.TrimSpace(s) == "" }), ", ")
}

// members are those of one entry.
type members map[string]json.RawMessage

// text gives a member that is a text or a number, or what it has under further names; "" where there is none.
func (m members) text(names ...string) string {
	raw := m[names[0]]
	if len(names) > 1 {
		var below members
		_ = json.Unmarshal(raw, &below) // another form: nothing is said of it
		return below.text(names[1:]...)
	}
	var s string
	switch {
	case json.Unmarshal(raw, &s) == nil:
		return s
	case len(raw) > 0 && (raw[0] == '-' || raw[0] >= '0' && raw[0] <= '9'):
		return string(raw)
	}
	return ""
}

// say puts a member into words, or gives "" where there is none.
func (m members) say(format string, names ...string) string {
	if s := m.text(names...); s != "" {
		return fmt.Sprintf(format, s)
	}
	return ""
}

// why is the reason that an entry gives, under any of the names that it may have.
func (m members) why() string {
	return strings.Join(slices.DeleteFunc([]string{m.text("reason"), m.text("why")}, func(s string) bool { return s == "" }), ", ")
}

// tellers say what the entries of each kind say.
var tellers = map[record.Kind]func(members) []string{
	record.KindWeighing: members.weighing, record.KindResult: members.weighing,
	record.KindUnread:        func(m members) []string { return []string{m.why(), m.text("port")} },
	record.KindUnreadSummary: func(m members) []string { return []string{m.say("%s frames", "frames"), m.why(), m.text("port")} },
	record.KindPortUp:        members.port, record.KindPortDown: members.port,
	record.KindGap:   func(m members) []string { return []string{m.say("%s readings", "readings"), m.why()} },
	record.KindStart: members.daemon, record.KindStop: members.daemon,
	record.KindParked:      func(m members) []string { return []string{m.say("sink %s", "sink"), m.text("entry_id"), m.why()} },
	record.KindSinkStopped: members.sink, record.KindSinkResumed: members.sink,
	record.KindSinkMoved: func(m members) []string {
		return []string{m.say("sink %s", "sink"), m.say("from %s", "from"), m.say("to %s", "to")}
	},
	record.KindClockChanged:   func(m members) []string { return []string{m.change(), m.why(), m.say("step %s s", "step_s")} },
	record.KindContextChanged: members.context,
	record.KindConfigured:     members.configured,
	record.KindLayoutChanged:  func(m members) []string { return []string{m.say("layout %.19s", "to")} },
	record.KindCommand:        func(m members) []string { return []string{m.text("name"), m.text("state"), m.why()} },
	record.KindKeyRotated: func(m members) []string {
		return []string{m.text("cause"), m.say("key of %s", "origin"), m.why(), m.say("confirmed by %s", "confirmed_by", "id")}
	},
	record.KindTimestamped: func(m members) []string {
		return []string{m.say("entries up to %s", "size"), m.say("at %s", "gen_time"), m.say("by %s", "authority")}
	},
	record.KindClockCorrected: func(m members) []string {
		return []string{m.span("from", "to"), m.say("add %s s", "offset_s"), m.why()}
	},
	record.KindTrailReviewed: func(m members) []string {
		return []string{m.span("from", "to"), m.text("filter"), m.text("findings"), m.why()}
	},
	record.KindBackup: func(m members) []string {
		return []string{m.text("action"), m.text("outcome"), m.text("name"), m.say("in %s", "where"), m.why()}
	},
	record.KindRestored: func(m members) []string {
		return []string{m.text("cause"), m.say("goes on from incarnation %s", "predecessor", "incarnation"),
			m.say("which had %s entries", "predecessor", "entries"), m.say("by backup %s", "backup", "file"), m.why()}
	},
	record.KindSealed:           func(m members) []string { return []string{m.span("first", "last"), m.say("in %s", "file"), m.why()} },
	record.KindRecordingStopped: func(m members) []string { return []string{m.text("cause")} },
	record.KindRecordingResumed: func(m members) []string { return []string{m.say("after: %s", "cause")} },
	record.KindDamage:           func(m members) []string { return []string{m.text("what"), m.say("entry %s", "entry"), m.text("where")} },
	record.KindRefused: func(m members) []string {
		return []string{m.text("what"), m.say("from %s", "address"), m.say("%s times", "times"), m.why()}
	},
	record.KindPersonChanged: func(m members) []string { return []string{m.text("change"), m.text("person"), m.why()} },
	record.KindSignedIn: func(m members) []string {
		return []string{m.text("by", "id"), m.say("by %s", "by", "by"), m.say("at %s", "balance")}
	},
	record.KindSignedOut: func(m members) []string { return []string{m.text("by", "id"), m.text("cause")} },
	record.KindSignInRefused: func(m members) []string {
		return []string{m.text("login"), m.say("by %s", "way"), m.say("from %s", "address"), m.say("%s times", "times"), m.why()}
	},
	record.KindAPIKeyChanged: func(m members) []string {
		return []string{m.text("change"), m.text("key", "id"), m.text("key", "name"), m.why()}
	},
	record.KindAccountsReviewed: func(m members) []string {
		return []string{m.say("%s people", "people"), m.say("%s keys", "keys"), m.text("findings")}
	},
	record.KindSettingsPending: func(m members) []string { return []string{m.say("change %s", "change"), m.why()} },
	record.KindSettingsDecided: func(m members) []string { return []string{m.say("change %s", "change"), m.text("decision"), m.why()} },
	record.KindSampleAnnounced: func(m members) []string { return []string{m.text("sample", "id"), m.why()} },
	record.KindParkedRetried:   members.parkedActed, record.KindParkedDropped: members.parkedActed,
	record.KindSinkTried: members.sinkAct, record.KindSinkPaused: members.sinkAct, record.KindSinkContinued: members.sinkAct,
	record.KindHeldReleased: members.released,
	record.KindSinkAnswered: members.answered, record.KindWeightChanged: members.weight,
	record.KindCheckBegun: members.check, record.KindCheckStep: members.checkStep, record.KindCheckEnded: members.checkEnded,
	record.KindFitnessChanged: members.fitness, record.KindCheckReminder: members.reminder, record.KindUpkeep: members.upkeep,
	record.KindAffectedJudged: members.judged, record.KindFailureClosed: members.closed,
	record.KindProcedureChanged: members.procedureChanged, record.KindRunBegun: members.runBegun, record.KindRunStep: members.runStep,
	record.KindRunEnded: members.runEnded, record.KindRequestChanged: members.request, record.KindContainerChanged: members.container,
	record.KindLateEntered: members.late, record.KindLateDecided: members.lateDecided,
	record.KindRunReviewed: members.runReviewed, record.KindRunCorrected: members.runCorrected, record.KindSignature: members.signature,
	record.KindSignatureRefused: members.signatureRefused, record.KindReportIssued: members.report,
}

func (m members) weighing() []string {
	value := func(name string) string {
		if s := m.text("value", name); s != "unknown" {
			return s
		}
		return ""
	}
	parts := []string{strings.TrimSpace(value("digits") + " " + value("printed_unit"))}
	if r := value("range"); r != "in" && r != "" {
		parts = append(parts, r+" range")
	}
	return append(parts, value("kind"), value("stability"), m.say("sample %s", "context", "sample", "id"), m.why())
}

func (m members) port() []string { return []string{m.text("why"), m.text("port")} }
func (m members) sink() []string { return []string{m.say("sink %s", "sink"), m.why()} }
func (m members) daemon() []string {
	return []string{m.say("weighpost %s", "software", "version")}
}

// change says from what to what a state went.
func (m members) change() string {
	from, to := m.text("from"), m.text("state")
	if from == "" || from == to {
		return to
	}
	return from + " to " + to
}

func (m members) span(first, last string) string {
	return fmt.Sprintf("entries %s to %s", m.text(first), m.text(last))
}

// context says which items of a context changed, and how.
func (m members) context() []string {
	var before, after record.Context
	_ = json.Unmarshal(m["before"], &before) // another form: nothing is said of it
	_ = json.Unmarshal(m["after"], &after)
	parts := []string{m.text("cause")}
	id := func(l *record.Learnt) string {
		if l == nil {
			return "none"
		}
		return l.ID
	}
	for _, name := range []string{record.ItemPerson, record.ItemSample, record.ItemMethod, record.ItemRun, record.ItemLot} {
		if was, is := id(before.Get(name)), id(after.Get(name)); was != is {
			parts = append(parts, fmt.Sprintf("%s %s to %s", name, was, is))
		}
	}
	return append(parts, m.why())
}

func (m members) configured() []string {
	var changes []string
	_ = json.Unmarshal(m["changes"], &changes) // another form: nothing is said of it
	parts := []string{m.say("refused: %s", "refused")}
	if len(changes) == 0 {
		return append(parts, m.say("configuration %.19s", "to"))
	}
	return append(parts, strings.Join(changes, "; "))
}

// others says what stands at the top of an entry of a kind that this weighpost does not know, as far as it is short.
func (m members) others() []string {
	var names []string
	for name := range m {
		names = append(names, name)
	}
	slices.Sort(names)
	var parts []string
	for _, name := range names {
		switch s := m.text(name); {
		case s == "" || slices.Contains([]string{"schema", "id", "seq", "site"}, name):
		case bytes.ContainsAny(m[name], "\n") || len(s) > 200:
		default:
			if _, err := time.Parse(time.RFC3339Nano, s); err != nil {
				parts = append(parts, name+" "+strings.Trim(strconv.Quote(s), `"`))
			}
		}
	}
	return parts
}

// parkedActed tells of parked entries that somebody decided about.
func (m members) parkedActed() []string {
	return []string{m.say("sink %s", "sink"), m.which("entries"), m.say("by %s", "by", "id"), m.why()}
}

func (m members) sinkAct() []string {
	return []string{m.say("sink %s", "sink"), m.say("by %s", "by", "id"), m.why()}
}

func (m members) released() []string {
	return []string{m.which("entries"), m.say("by %s", "by", "id"), m.why()}
}

func (m members) answered() []string {
	return []string{m.say("sink %s", "sink"), m.which("answers"), m.given()}
}

// which names the entries that a list of a member is about: the only one, or how many from where to where.
func (m members) which(name string) string {
	var entries []record.EntryRef
	_ = json.Unmarshal(m[name], &entries) // another form: nothing is said of them
	switch len(entries) {
	case 0:
		return ""
	case 1:
		return entries[0].ID
	}
	return fmt.Sprintf("%d entries, %s to %s", len(entries), entries[0].ID, entries[len(entries)-1].ID)
}

// given is what a destination calls the only entry that it answered for.
func (m members) given() string {
	var answers []record.Answered
	if json.Unmarshal(m["answers"], &answers) != nil || len(answers) != 1 || answers[0].Given == "" {
		return ""
	}
	return "there: " + answers[0].Given
}
