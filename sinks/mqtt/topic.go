package mqtt

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/format"
)

// nobody is the topic level of entries that are about no balance. A sanitised id never looks like it.
const nobody = "@"

// topics writes the names under which one site publishes: <prefix>/<site>/<balance>/<kind>.
type topics struct {
	prefix string // of ours and of every other site
	base   string
}

func newTopics(prefix, site string) topics {
	return topics{prefix: prefix, base: prefix + "/" + level(site)}
}

func (t topics) entry(e record.Entry) string {
	if e.Balance == "" {
		return t.base + "/" + nobody + "/" + level(string(e.Kind))
	}
	return t.base + "/" + level(e.Balance) + "/" + level(string(e.Kind))
}

func (t topics) live(balance string) string { return t.base + "/" + level(balance) + "/live" }
func (t topics) status() string             { return t.base + "/status" }
func (t topics) checkpoint() string         { return t.base + "/checkpoint" }

// state is the topic of how a balance or a destination is, or "" for what has none.
func (t topics) state(of, id string) string {
	switch of {
	case sinks.OfBalance:
		return t.base + "/" + level(id) + stateEnd
	case sinks.OfSink:
		return t.base + sinkStates + level(id) + stateEnd
	}
	return ""
}

const (
	stateEnd   = "/status"
	sinkStates = "/" + nobody + "/sink/"
)

// stateFilters are the topic filters under which all states are.
func (t topics) stateFilters() []string {
	return []string{t.base + "/+" + stateEnd, t.base + sinkStates + "+" + stateEnd}
}

// isState says whether a topic is one of a state: of ours, or of what is not configured any more.
func (t topics) isState(topic string) bool {
	rest, ok := strings.CutPrefix(topic, t.base+"/")
	rest, ends := strings.CutSuffix(rest, stateEnd)
	rest = strings.TrimPrefix("/"+rest, sinkStates)
	return ok && ends && !strings.Contains(strings.TrimPrefix(rest, "/"), "/")
}

// checkPrefix says why a text cannot begin topic names (MQTT 3.1.1 clause 4.7), or "".
func checkPrefix(s string) string {
	switch {
	case s == "":
		return "is empty"
	case len(s) > 200:
		return fmt.Sprintf("has %d bytes", len(s))
	case !utf8.ValidString(s):
		return "is not UTF-8"
	case strings.HasPrefix(s, "$"):
		return "begins with $, which belongs to the broker"
	case strings.ContainsAny(s, "+#\x00"):
		return "holds +, # or NUL, which have a meaning of their own"
	}
	for l := range strings.SplitSeq(s, "/") {
		if l == "" {
			return "has an empty level"
		}
	}
	return ""
}

// level writes an id as one topic level: one-to-one, never empty, without /, +, # and NUL.
func level(id string) string { return format.TopicLevel(id) }
