package screens

import (
	"encoding/json"
	"net/http"
	"net/url"
	"strconv"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

// clockShape is the shape beside a state of the clock, or a verdict on a time server.
func clockShape(state string) string {
	switch state {
	case "checked", "agreeing":
		return "at-rest"
	case "holdover", "unchecked":
		return "warning"
	case "falseticker", "refused":
		return "error"
	}
	return "not-said"
}

// clockWord says what a state of the clock means.
func clockWord(state string) string {
	switch state {
	case "checked":
		return "checked: time servers agree"
	case "holdover":
		return "holdover: no agreement now"
	case "unchecked":
		return "unchecked: as the computer has it"
	}
	return state
}

// clockData is what the page of the clock shows.
type clockData struct {
	console.Clock
	Chart    *clockChart
	Troubles troubles
	Changes  []record.ClockChange
	NoList   string // why the changes cannot be listed; "" where they are
	Reads    bool   // whoever looks may read the journal
	ReadsSet bool   // likewise the settings
}

// mostClockChanges is how many the page lists.
const mostClockChanges = 20

// clock answers: may the times of the records be relied on?
func (s *Screens) clock(w http.ResponseWriter, r *http.Request) {
	who := s.who(r)
	d := &clockData{Clock: s.deps.Source.TimeFacts(), Reads: who.Can("read-journal"), ReadsSet: who.Can("read-settings")}
	d.Chart = chartOf(d.Clock)
	list := s.conditions()
	for _, c := range list {
		if about := kindOf(c.Code).About; about == "clock" || about == "time server" {
			t := s.trouble(who, c)
			t.Acts = elsewhere(t.Acts, "/clock")
			d.Troubles.List = append(d.Troubles.List, t)
		}
	}
	if d.Reads && s.deps.Entries != nil && !r.URL.Query().Has("part") {
		d.Changes, d.NoList = s.clockChanges(r)
	}
	if s.parts(w, r, "clock.html", d) {
		return
	}
	s.show(w, r, page{Template: "clock.html", Title: "Clock", Place: "/clock", Scripts: []string{"now.js"}, Data: d})
}

// clockChanges lists what the journal says of the clock, the newest first.
func (s *Screens) clockChanges(r *http.Request) (list []record.ClockChange, why string) {
	l, err := s.deps.Entries.ListEntries(r.Context(), url.Values{"kind": {string(record.KindClockChanged)}, "sort": {"-seq"}, "limit": {strconv.Itoa(mostClockChanges)}})
	if err != nil {
		return nil, err.Error()
	}
	for _, raw := range l.Entries {
		var c record.ClockChange
		if json.Unmarshal(raw, &c) == nil {
			list = append(list, c)
		}
	}
	return list, ""
}
