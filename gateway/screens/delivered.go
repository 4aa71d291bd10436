package screens

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

func (s *Screens) deliveryPages() []row {
	return []row{{"/delivered", rights.See, s.delivered}, {"/delivered/{sink}", rights.ReadJournal, s.deliveredTo},
		{"/delivered/{sink}/preview", rights.ReadJournal, s.previewed}}
}

const (
	// parkedShown is how many parked entries a page lists.
	parkedShown = 100
	// mostPast is how many entries of what happened to a sink are shown, and pastRead how many of all sinks are looked through.
	mostPast, pastRead = 20, 300
)

// ofSinks are the kinds of entry that tell what happened to a sink.
var ofSinks = []record.Kind{record.KindParked, record.KindSinkStopped, record.KindSinkResumed, record.KindSinkMoved,
	record.KindParkedRetried, record.KindParkedDropped, record.KindSinkTried, record.KindSinkPaused, record.KindSinkContinued}

// destination is one sink as pages show it.
type destination struct {
	console.Sink
	Shape, Word string // of its state
	Class       string
	Troubles    []trouble
	MayDecide   bool
	MayRead     bool
	Alone       bool // on its own page, which has a form for what is a button elsewhere
}

// sinkLooks are shape, word and class of a sink's state.
var sinkLooks = map[string][3]string{
	"working": {"well", "delivers", "good"}, "retrying": {"warning", "tries again by itself", "doubt"},
	"waiting": {"notice", "waits, as it was asked to", "doubt"}, "stopped": {"error", "stopped: somebody has to act", "bad"},
	"paused": {"notice", "paused by a person", "doubt"}, sinkGone: {"notice", "not configured any more", "doubt"},
}

// sinkGone is the state of a sink that is not configured any more, and for which entries are parked.
const sinkGone = "gone"

// sinkState says in words what state a sink is in.
func sinkState(state string) string {
	if look, known := sinkLooks[state]; known {
		return look[1]
	}
	return state
}

func (s *Screens) destination(w who, k console.Sink) destination {
	d := destination{Sink: k, Shape: "notice", Word: k.State, MayDecide: w.Can(string(rights.Deliveries)), MayRead: w.Can(string(rights.ReadJournal))}
	if look, known := sinkLooks[k.State]; known {
		d.Shape, d.Word, d.Class = look[0], look[1], look[2]
	}
	if d.Class == "good" && k.Parked > 0 {
		d.Class = "doubt"
	}
	for _, c := range s.conditions() {
		for _, one := range append([]health.Condition{c}, c.Consequences...) {
			if one.Subject == k.ID && kindOf(one.Code).About == "sink" {
				d.Troubles = append(d.Troubles, s.trouble(w, one))
			}
		}
	}
	return d
}

// Behind says how far a sink is behind, in words and a number.
func (d destination) Behind() string {
	switch {
	case d.Gathers() != "":
		return entriesWords(d.Waiting) + " gathered for the next batch"
	case d.Waiting > 0 && d.AtLeast:
		return "behind by " + entriesWords(d.Waiting) + " or more"
	case d.Waiting > 0:
		return "behind by " + entriesWords(d.Waiting)
	case d.Lag > 0: // which of these it wants is not counted yet
		return "behind by up to " + entriesWords(d.Lag)
	case d.State == sinkGone:
		return "nothing is delivered there any more"
	case d.Parked > 0:
		return "has everything but what it refused"
	case d.Holds:
		return "has everything that was released"
	}
	return "has everything"
}

// batchLate is how long after the end of an hour or a day its batch may still come: the wait for stragglers, and its delivery.
const batchLate = 5 * time.Minute

// Gathers says when what is gathered for a closed batch goes out; "" where nothing is, or it should have gone out.
func (d destination) Gathers() string {
	if d.Closed == "" || d.State != "working" || d.Waiting == 0 || d.AtLeast {
		return ""
	}
	every, per := time.Hour, "hour"
	switch d.Closed {
	case "hour":
	case "day":
		every, per = 24*time.Hour, "day"
	default:
		return fmt.Sprintf("They go out together as soon as there are %s of them.", d.Closed)
	}
	if d.BehindSince == nil {
		return ""
	}
	ends := d.BehindSince.Time().UTC().Truncate(every).Add(every)
	if time.Now().After(ends.Add(batchLate)) {
		return ""
	}
	return fmt.Sprintf("They go out together once the %s is over, at %s (UTC).", per, ends.Format("15:04"))
}

// Rate is how much is delivered of late, in words; "" where nothing is.
func (d destination) Rate() string {
	switch {
	case d.PerMinute <= 0:
		return ""
	case d.PerMinute < 1:
		return "less than one a minute of late"
	}
	return count(uint64(math.Round(d.PerMinute))) + " a minute of late"
}

// Late says whether a sink is behind for longer than a delivery takes.
func (d destination) Late() bool {
	return d.Lag > 0 && d.Paused == nil && d.Gathers() == "" && (d.State != "working" || d.BehindSince != nil && time.Since(d.BehindSince.Time()) > 10*time.Second)
}

// Tryable says whether trying at once is of use.
func (d destination) Tryable() bool {
	return d.MayDecide && d.State != "working" && d.Paused == nil && d.State != sinkGone
}

type deliveredData struct {
	Sinks  []destination
	Gone   []destination
	Told   string // why what is gone is not told
	MaySet bool
}

// delivered answers: is everything delivered?
func (s *Screens) delivered(w http.ResponseWriter, r *http.Request) {
	who := s.who(r)
	d := &deliveredData{MaySet: who.Can(string(rights.Sinks))}
	for _, k := range s.deps.Source.Sinks() {
		d.Sinks = append(d.Sinks, s.destination(who, k))
	}
	gone, err := s.gone(r)
	if err != nil {
		d.Told = "Whether anything is parked for destinations that are not configured any more cannot be told now: " + err.Error()
	}
	for _, k := range gone {
		d.Gone = append(d.Gone, s.destination(who, k))
	}
	if s.parts(w, r, "delivered.html", d) {
		return
	}
	s.show(w, r, page{Template: "delivered.html", Title: "Is everything delivered?", Place: "/delivered", Scripts: []string{"delivered.js"}, Data: d})
}

// parkedRow is a parked entry as the page shows it.
type parkedRow struct {
	console.ParkedEntry
	Path string
}

type sinkData struct {
	Sink   destination
	Parked []parkedRow
	More   uint64 // what to ask for as after for the rest; 0: there is none
	Told   string // why there is no list
	Past   []occurrence
	NoPast string
	MaySet bool

	Routing    []string // what it gets, in words
	Holds      bool     // it holds weighings back
	Held       []heldRow
	HeldOn     uint64 // what to ask for as before to look on; 0: nothing is before
	HeldAfter  bool   // another part than the newest is shown
	HeldTold   string // why there is no list
	MayRelease bool
	Gone       bool // it is not configured any more
}

// deliveredTo shows one sink: what it refused, with what can be done about it, and what happened to it.
func (s *Screens) deliveredTo(w http.ResponseWriter, r *http.Request) {
	who, id := s.who(r), r.PathValue("sink")
	gone, err := s.gone(r)
	all := slices.Concat(s.deps.Source.Sinks(), gone)
	at := slices.IndexFunc(all, func(k console.Sink) bool { return k.ID == id })
	if at < 0 && err != nil {
		s.sorry(w, r, http.StatusServiceUnavailable, "Deliveries cannot be told now", err.Error()+". Try again in a moment.")
		return
	}
	if at < 0 {
		s.sorry(w, r, http.StatusNotFound, "There is no such destination", fmt.Sprintf("No destination %q is configured. What is configured is on the page Delivered.", seen(id)))
		return
	}
	d := &sinkData{Sink: s.destination(who, all[at]), MaySet: who.Can(string(rights.Sinks)),
		MayRelease: who.Can(string(rights.ReviewTrail)), Gone: all[at].State == sinkGone}
	d.Sink.Alone = true
	if s.parts(w, r, "delivered-sink.html", d) {
		return
	}
	s.fillParked(r, d)
	s.fillHeld(r, d)
	d.Past, d.NoPast = s.pastOf(r, id)
	s.show(w, r, page{Template: "delivered-sink.html", Title: "Deliveries to " + id, Place: "/delivered", Scripts: []string{"delivered.js"}, Data: d})
}

func (s *Screens) fillParked(r *http.Request, d *sinkData) {
	if s.deps.Deliveries == nil {
		d.Told = "What is parked cannot be listed here."
		return
	}
	after, err := strconv.ParseUint("0"+r.URL.Query().Get("after"), 10, 63)
	if err != nil {
		after = 0
	}
	list, err := s.deps.Deliveries.Parked(r.Context(), d.Sink.ID, after, parkedShown+1)
	if err != nil && !errors.Is(err, console.ErrNoSink) {
		d.Told = "What is parked cannot be listed now: " + err.Error()
	}
	if len(list) > parkedShown {
		list = list[:parkedShown]
		d.More = list[parkedShown-1].Seq
	}
	for _, p := range list {
		d.Parked = append(d.Parked, parkedRow{p, entryPath(record.Entry{Seq: p.Seq, Kind: p.Kind, ID: p.ID})})
	}
}

// pastOf lists what the journal says of a sink, the newest first.
func (s *Screens) pastOf(r *http.Request, id string) (past []occurrence, why string) {
	if s.deps.Entries == nil {
		return nil, "The journal is not shown here."
	}
	q := url.Values{"sort": {"-seq"}, "limit": {strconv.Itoa(pastRead)}}
	for _, k := range ofSinks {
		q.Add("kind", string(k))
	}
	page, err := s.deps.Entries.ListEntries(r.Context(), q)
	if err != nil {
		return nil, "The journal cannot be read now: " + err.Error()
	}
	l := &list{}
	for _, raw := range page.Entries {
		e, err := record.ParseEntry(raw)
		if err != nil || len(past) == mostPast || sinkIn(raw) != id {
			continue
		}
		one := l.listed(e)
		one.Line = strings.TrimPrefix(one.Line, "sink "+id+", ") // the page is about it
		past = append(past, one)
	}
	return past, ""
}

// KindsOfPast are the kinds of what happened to sinks, as the page Happened takes them.
func (d *sinkData) KindsOfPast() string {
	var names []string
	for _, k := range ofSinks {
		names = append(names, string(k))
	}
	return strings.Join(names, ",")
}

// sinkIn is the sink that an entry is about.
func sinkIn(raw []byte) string {
	var x struct {
		Sink string `json:"sink"`
	}
	if json.Unmarshal(raw, &x) != nil {
		return ""
	}
	return x.Sink
}
