package screens

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/tell"
)

// heldListed is how many held entries a page lists.
const heldListed = 100

// heldRow is a held entry as the page shows it.
type heldRow struct {
	console.HeldEntry
	Path string
}

// fillHeld says what a sink is configured to get, and lists what it holds back.
func (s *Screens) fillHeld(r *http.Request, d *sinkData) {
	if s.deps.Deliveries == nil || d.Gone {
		return
	}
	routing, err := s.deps.Deliveries.Routing(d.Sink.ID)
	if err != nil {
		return // it was taken away meanwhile
	}
	d.Routing, d.Holds = routingWords(routing), routing.Hold != ""
	before, err := strconv.ParseUint("0"+r.URL.Query().Get("before"), 10, 63)
	if err != nil {
		before = 0
	}
	list, err := s.deps.Deliveries.Held(r.Context(), d.Sink.ID, before, heldListed)
	// Also a destination that holds nothing back by itself does so while a balance is out of service.
	d.Holds = d.Holds || err != nil || before > 0 || len(list.Held) > 0 || list.Next > 0
	if err != nil {
		d.HeldTold = "What is held back cannot be listed now: " + err.Error()
		return
	}
	d.HeldOn, d.HeldAfter = list.Next, before > 0
	for _, e := range list.Held {
		d.Held = append(d.Held, heldRow{e, entryPath(record.Entry{Seq: e.Seq, Kind: e.Kind, ID: e.ID})})
	}
}

// gone lists sinks that are not configured any more and for which entries are parked.
func (s *Screens) gone(r *http.Request) (list []console.Sink, err error) {
	if s.deps.Deliveries == nil {
		return nil, nil
	}
	all, err := s.deps.Deliveries.Gone(r.Context())
	for _, k := range all {
		list = append(list, console.Sink{ID: k.ID, State: sinkGone, Parked: k.Parked})
	}
	return list, err
}

// mostKindsSaid is how many kinds of entry are named.
const mostKindsSaid = 6

var verdictWords = map[string]string{
	"passed":     "Of weighings and results, those that were judged by a rule and failed by none.",
	"not-failed": "Of weighings and results, those that no rule failed.",
	"failed":     "Of weighings and results, those that a rule failed.",
}

var closedWords = map[string]string{
	"hour": "As closed batches: all of an hour at once, when it is over.", "day": "As closed batches: all of a day (UTC) at once, when it is over.",
}

// routingWords says in sentences what a sink is configured to get, and when.
func routingWords(c console.Routing) (said []string) {
	said = []string{kindsSaid(c.Entries) + " of every balance."}
	if len(c.Balances) > 0 {
		said[0] = kindsSaid(c.Entries) + " of balance " + strings.Join(c.Balances, ", ") + ", and what is about no balance."
		if !slices.ContainsFunc(c.Entries, func(k string) bool { return !record.Kind(k).Numbered() }) {
			said[0] = kindsSaid(c.Entries) + " of balance " + strings.Join(c.Balances, ", ") + "."
		}
	}
	if words := verdictWords[c.Verdicts]; words != "" {
		said = append(said, words)
	}
	if c.Hold != "" {
		said = append(said, "Weighings and results wait until somebody releases them; nothing waits behind them.")
	}
	switch words := closedWords[c.Closed]; {
	case words != "":
		said = append(said, words)
	case c.Closed != "":
		said = append(said, fmt.Sprintf("As closed batches: %s entries at once, when so many are there.", c.Closed))
	}
	return said
}

func kindsSaid(kinds []string) string {
	switch {
	case slices.Contains(kinds, "all"):
		return "Every kind of entry"
	case len(kinds) == 2 && slices.Contains(kinds, "weighing") && slices.Contains(kinds, "result"):
		return "Weighings and results"
	}
	var names []string
	for _, k := range kinds[:min(len(kinds), mostKindsSaid)] {
		names = append(names, tell.Kind(record.Kind(k)))
	}
	said := "Of these kinds: " + strings.Join(names, ", ")
	if more := len(kinds) - len(names); more > 0 {
		said += fmt.Sprintf(" and %d more;", more)
	}
	return said + " what is"
}
