package screens

import (
	"encoding/json"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/gateway/tell"
)

// kindGroup is a subject of the audit trail, with the kinds of entry that tell of it.
type kindGroup struct {
	Name, Words string
	kinds       []record.Kind
}

// kindGroups hold every kind once.
var kindGroups = []kindGroup{
	{"people", "People, sign-in and samples", []record.Kind{record.KindContextChanged, record.KindSampleAnnounced, record.KindSignedIn, record.KindSignedOut,
		record.KindSignInRefused, record.KindPersonChanged, record.KindAPIKeyChanged, record.KindAccountsReviewed, record.KindRefused}},
	{"settings", "Settings and layouts", []record.Kind{record.KindConfigured, record.KindSettingsPending, record.KindSettingsDecided, record.KindLayoutChanged}},
	{"balances", "Balances and ports", []record.Kind{record.KindUnread, record.KindUnreadSummary, record.KindPortUp, record.KindPortDown, record.KindGap,
		record.KindCommand}},
	{"deliveries", "Deliveries", []record.Kind{record.KindParked, record.KindParkedRetried, record.KindParkedDropped, record.KindSinkStopped,
		record.KindSinkResumed, record.KindSinkMoved, record.KindSinkTried, record.KindSinkPaused, record.KindSinkContinued, record.KindHeldReleased,
		record.KindSinkAnswered}},
	{"fitness", "Checks, reference weights and fitness", []record.Kind{record.KindCheckBegun, record.KindCheckStep, record.KindCheckEnded,
		record.KindFitnessChanged, record.KindCheckReminder, record.KindUpkeep, record.KindAffectedJudged, record.KindFailureClosed, record.KindWeightChanged}},
	{"procedures", "Procedures, runs, requests, containers and slips", []record.Kind{record.KindProcedureChanged, record.KindRunBegun, record.KindRunStep,
		record.KindRunEnded, record.KindRequestChanged, record.KindContainerChanged, record.KindLateEntered, record.KindLateDecided}},
	{"reviews", "Reviews, corrections, signatures and reports of runs", []record.Kind{record.KindRunReviewed, record.KindRunCorrected, record.KindSignature,
		record.KindSignatureRefused, record.KindReportIssued}},
	{"clock", "Clock and time-stamps", []record.Kind{record.KindClockChanged, record.KindClockCorrected, record.KindTimestamped}},
	{"journal", "Journal, backups and reviews", []record.Kind{record.KindStart, record.KindStop, record.KindTrailReviewed, record.KindBackup, record.KindRestored,
		record.KindSealed, record.KindKeyRotated, record.KindRecordingStopped, record.KindRecordingResumed, record.KindDamage}},
	{"weighings", "Weighings and results", []record.Kind{record.KindWeighing, record.KindResult}},
}

const everything = "all"

// kindsAsked reads which kinds a list is asked for: a group, a kind, several with commas, all, or "" for all but weighings and
// results. A word that is none of these is a kind that nobody knows, which the API says.
func kindsAsked(word string) (kinds []record.Kind) {
	switch word {
	case everything:
		return nil
	case "":
		return slices.DeleteFunc(record.Kinds(), record.Kind.Numbered)
	}
	for _, g := range kindGroups {
		if g.Name == word {
			return g.kinds
		}
	}
	for name := range strings.SplitSeq(word, ",") {
		kinds = append(kinds, record.Kind(name))
	}
	return kinds
}

// Kinds are the kinds of a group, with their names.
func (g kindGroup) Kinds() (all []choice) {
	for _, k := range g.kinds {
		all = append(all, choice{string(k), tell.Kind(k)})
	}
	return all
}

// kindsInWords says which kinds a list is asked for.
func kindsInWords(word string) string {
	switch word {
	case everything:
		return "everything"
	case "":
		return "all but weighings and results"
	}
	for _, g := range kindGroups {
		if g.Name == word {
			return g.Words
		}
	}
	var names []string
	for name := range strings.SplitSeq(word, ",") {
		names = append(names, tell.Kind(record.Kind(name)))
	}
	return strings.Join(names, " or ")
}

// happenedPage is a part of the audit trail.
type happenedPage struct {
	*list
	Rows    []occurrence
	Take    *taking
	Reports *reportsOf
	Groups  []kindGroup
	Since   bool // only what is new since the last review
}

// Kind is what is chosen, where it is several kinds that are no group.
func (p happenedPage) Several() bool { return strings.Contains(p.Asked.Get("kind"), ",") }

// occurrence is an entry in words.
type occurrence struct {
	tell.Row
	Entry   record.Entry
	Path    string
	About   string // what kind of thing happened
	Line    string
	Changes []tell.Change
}

func (l *list) occurrence(e record.Entry) occurrence {
	return occurrence{Row: l.rowWords(e), Entry: e, Path: entryPath(e), About: tell.Kind(e.Kind), Line: tell.Line(e), Changes: tell.Changes(e)}
}

// listed is what a list shows of an entry: where what changed is told piece by piece, it is not told twice.
func (l *list) listed(e record.Entry) occurrence {
	h := l.occurrence(e)
	switch e.Kind {
	case record.KindContextChanged:
		var c record.ContextChange
		if len(h.Changes) > 0 && json.Unmarshal(e.JSON, &c) == nil {
			h.Line = strings.Join(slices.DeleteFunc([]string{c.Cause, c.Why}, func(s string) bool { return s == "" }), ", ")
		}
	case record.KindClockChanged:
		if len(h.Changes) > 0 {
			h.Line = h.Why
		}
	case record.KindPersonChanged, record.KindSampleAnnounced:
	default:
		h.Changes = nil // the line says it, and hashes say nothing to people
	}
	return h
}

// Who is whoever did it, as far as the entry says.
func (h *occurrence) Who() string {
	var x struct {
		By *record.Actor `json:"by"`
	}
	if json.Unmarshal(h.Entry.JSON, &x) == nil && x.By != nil && x.By.Shown() != "" {
		return x.By.Shown()
	}
	return h.Person
}

// RunPage is where the run is that an entry tells of; "" where it tells of none.
func (h *occurrence) RunPage() string {
	switch h.Kind {
	case record.KindRunBegun, record.KindRunStep, record.KindRunEnded, record.KindRunReviewed, record.KindRunCorrected, record.KindSignature,
		record.KindSignatureRefused, record.KindReportIssued:
	default:
		return ""
	}
	var x struct {
		Run record.RunRef `json:"run"`
	}
	if json.Unmarshal(h.Entry.JSON, &x) != nil || x.Run.ID == "" {
		return ""
	}
	return runPath(x.Run.ID)
}

// Grave says whether something went wrong.
func (h *occurrence) Grave() bool {
	return slices.Contains([]record.Kind{record.KindDamage, record.KindRecordingStopped, record.KindGap, record.KindParked, record.KindSinkStopped, record.KindPortDown,
		record.KindUnread, record.KindUnreadSummary, record.KindRefused, record.KindSignInRefused, record.KindSignatureRefused}, h.Kind)
}

func (s *Screens) showHappened(w http.ResponseWriter, r *http.Request) {
	if s.noEntries(w, r) {
		return
	}
	l := s.list(r, "/happened", kindsAsked(r.URL.Query().Get("kind")))
	l.Kinds = kindsInWords(l.Asked.Get("kind"))
	p := happenedPage{list: l, Take: s.takes(r, l), Reports: s.reportsOfTrail(r, l.Asked), Groups: kindGroups, Since: l.Asked.Get("since") == "review"}
	for _, e := range l.Entries {
		p.Rows = append(p.Rows, l.listed(e))
	}
	s.show(w, r, page{Template: "happened.html", Title: "What happened: the audit trail", Place: "/happened", Scripts: []string{"lists.js"}, Data: &p})
}

// happenedAt gives one entry by its sequence, or nil.
func (s *Screens) happenedAt(r *http.Request, seq uint64) *occurrence {
	if seq == 0 || seq > 1<<62 {
		return nil
	}
	number := func(n uint64) string { return strconv.FormatUint(n, 10) }
	e, ok := s.oneEntry(r.Context(), url.Values{"after": {number(seq - 1)}, "before": {number(seq + 1)}, "sort": {"seq"}})
	if !ok || e.Seq != seq {
		return nil
	}
	var l list
	if s.corrections(r.Context(), &l.fixed) != nil {
		l = list{}
	}
	h := l.occurrence(e)
	return &h
}

// entryPage is one entry, whole.
type entryPage struct {
	occurrence
	Members    []tell.Member
	Told       string
	Proof      *console.Proof
	CanTake    bool
	Head, Last uint64
	Next       uint64 // sequence; 0: there is none
}

func (s *Screens) showEntry(w http.ResponseWriter, r *http.Request) {
	if s.noEntries(w, r) {
		return
	}
	seq, err := strconv.ParseUint(r.PathValue("seq"), 10, 62)
	var h *occurrence
	if err == nil {
		h = s.happenedAt(r, seq)
	}
	if h == nil {
		s.sorry(w, r, http.StatusNotFound, "There is no such entry", "The journal has no entry of this number, or cannot be read now.")
		return
	}
	p := entryPage{occurrence: *h, CanTake: rights.From(r.Context()).May(rights.Export) == nil && s.deps.Evidence != nil, Last: seq - 1,
		Head: s.deps.Source.Journal().Head}
	if seq < p.Head {
		p.Next = seq + 1
	}
	if p.Members, err = tell.Members(h.Entry); err != nil {
		p.Told = "The entry cannot be put into words: " + err.Error() + "."
	}
	if s.deps.Evidence != nil {
		if proof, err := s.deps.Evidence.ProofOf(r.Context(), seq, false); err == nil {
			p.Proof = &proof
		}
	}
	s.show(w, r, page{Template: "entry.html", Title: "Entry " + count(seq) + ": " + h.About, Place: "/happened", Data: &p})
}

// reviewsPage is how it stands with reviews of the audit trail.
type reviewsPage struct {
	Told    string
	Reviews []occurrence // newest first
	New     *uint64      // entries since the last review of everything; nil: that cannot be told now
	Head    uint64
	Can     bool
}

func (s *Screens) showReviews(w http.ResponseWriter, r *http.Request) {
	if s.noEntries(w, r) {
		return
	}
	p := reviewsPage{Head: s.deps.Source.Journal().Head, Can: rights.From(r.Context()).May(rights.ReviewTrail) == nil}
	all, err := s.deps.Entries.Reviews(r.Context())
	if err != nil {
		p.Told = "The reviews cannot be read now: " + err.Error() + ". Try again in a moment."
	}
	var l list
	for _, raw := range all {
		if e, err := record.ParseEntry(raw); err == nil {
			p.Reviews = append(p.Reviews, l.occurrence(e))
		}
	}
	slices.Reverse(p.Reviews)
	page1, err := s.deps.Entries.ListEntries(r.Context(), url.Values{"since_review": {"true"}, "count": {"true"}, "limit": {"1"}})
	if err == nil {
		p.New = page1.Count
		if p.Head == 0 {
			p.Head = page1.Head
		}
	}
	s.show(w, r, page{Template: "reviews.html", Title: "Reviews of the audit trail", Place: "/happened", Data: &p})
}

// Review is the entry of a review, read.
func (h *occurrence) Review() (t record.TrailReviewed) {
	_ = json.Unmarshal(h.Entry.JSON, &t) // what is not there is empty
	return t
}

// Filters are the parts of the entries that can be reviewed on their own.
func (p *reviewsPage) Filters() (all []choice) {
	for _, g := range kindGroups {
		var names []string
		for _, k := range g.kinds {
			names = append(names, string(k))
		}
		all = append(all, choice{"kind=" + strings.Join(names, ","), g.Words})
	}
	return all
}

// NewCount is how many entries are new since the last review.
func (p *reviewsPage) NewCount() uint64 { return *p.New }
