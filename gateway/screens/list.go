package screens

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/gateway/tell"
)

const (
	// listLimit is how many entries a page shows.
	listLimit = 50
	// fixesLimit bounds how many corrections of stamps are read for one page.
	fixesLimit = 20_000
)

// Orders of a list, as the API names them.
var listOrders = []choice{{"", "newest first"}, {"seq", "oldest first"}, {"-time", "by stamp, latest first"}, {"time", "by stamp, earliest first"}}

// choice is one of several things that a field may hold.
type choice struct{ Value, Words string }

// filterTexts are the parts of a filter that are texts, by the names that the API has too.
var filterTexts = []string{"balance", "person", "sample", "lot", "method", "run", "text", "clock"}

// list is a part of the journal as a page shows it.
type list struct {
	Where   string // path of the page
	Asked   question
	Entries []record.Entry
	Filter  string // in words, as the answer gives it
	Kinds   string // in words, which kinds of entry are wanted
	Told    string // why there is no list
	Total   *uint64
	Indexed, Head,
	Missing uint64
	Back, On string // addresses of the parts before and after this one; "": there is none
	Begins   bool   // nothing of the list is before this part
	API      string // the filter, as the API takes it
	fixed    record.Corrections
}

// question is what was asked for, as the form holds it.
type question struct {
	url.Values
	Zone    string // of the days in from and to
	Choices []string
}

// Is says whether a field holds a value.
func (a question) Is(name, value string) bool { return a.Get(name) == value }

// Day says whether a field holds nothing that a field for days cannot show.
func (a question) Day(name string) bool {
	_, err := time.Parse(time.DateOnly, a.Get(name))
	return err == nil || a.Get(name) == ""
}

// Narrowed says whether anything was asked for.
func (a question) Narrowed() bool { return a.narrowedBut("") }

// narrowedBut says whether anything else than one field was asked for.
func (a question) narrowedBut(one string) bool {
	return slices.ContainsFunc(append([]string{"from", "to", "kind", "since"}, filterTexts...), func(name string) bool { return name != one && a.Get(name) != "" })
}

// Behind says whether the search index is so far behind that a list takes longer.
func (l *list) Behind() bool { return l.Head >= l.Indexed+1024 }

// Upwards says whether the oldest come first.
func (l *list) Upwards() bool { return !strings.HasPrefix(l.Asked.Get("sort")+"-", "-") }

// ByTime says whether the order is that of stamps.
func (l *list) ByTime() bool { return strings.HasSuffix(l.Asked.Get("sort"), "time") }

// Orders are those that the list may have.
func (l *list) Orders() []choice { return listOrders }

// filter gives what the API is asked for. A day is one of this computer's zone.
func (a question) filter(kinds []record.Kind) url.Values {
	v := url.Values{}
	for _, name := range filterTexts {
		if s := strings.TrimSpace(a.Get(name)); s != "" {
			v.Set(name, s)
		}
	}
	for _, name := range []string{"from", "to"} {
		s := strings.TrimSpace(a.Get(name))
		if day, err := time.ParseInLocation(time.DateOnly, s, time.Local); err == nil {
			if name == "to" {
				day = day.AddDate(0, 0, 1)
			}
			s = day.UTC().Format(time.RFC3339)
		}
		if s != "" {
			v.Set(name, s)
		}
	}
	if len(kinds) > 0 {
		var names []string
		for _, k := range kinds {
			names = append(names, string(k))
		}
		v.Set("kind", strings.Join(names, ","))
	}
	return v
}

// address is that of the page with what is asked for, and where in the list.
func (l *list) address(name, value string) string {
	v := url.Values{}
	for _, n := range append([]string{"from", "to", "kind", "since", "sort"}, filterTexts...) {
		if s := l.Asked.Get(n); s != "" {
			v.Set(n, s)
		}
	}
	if name != "" {
		v.Set(name, value)
	}
	if len(v) == 0 {
		return l.Where
	}
	return l.Where + "?" + v.Encode()
}

// Start is the address of the beginning of the list.
func (l *list) Start() string { return l.address("", "") }

// list answers what a page was asked for.
func (s *Screens) list(r *http.Request, where string, kinds []record.Kind) *list {
	ctx := r.Context()
	l := &list{Where: where, Asked: question{r.URL.Query(), time.Now().Format("-07:00"), nil}}
	for _, b := range s.deps.Source.Balances() {
		l.Asked.Choices = append(l.Asked.Choices, b.ID)
	}
	f := l.Asked.filter(kinds)
	l.API = f.Encode()
	if l.Asked.Get("since") == "review" {
		f.Set("since_review", "true")
	}
	err := s.fill(ctx, l, f)
	if err == nil {
		err = s.corrections(ctx, &l.fixed)
	}
	var refused *record.RequestRefused
	switch {
	case errors.As(err, &refused):
		l.Told = "It cannot be looked for as asked: " + refused.Why + "."
	case err != nil:
		l.Told = "The journal cannot be read so now: " + err.Error() + ". Try again in a moment."
	}
	return l
}

// fill reads the part of the list that is wanted. beyond and ahead name the entry after which, in the order of the list, and
// before which it is: while entries are added, neither moves.
func (s *Screens) fill(ctx context.Context, l *list, f url.Values) error {
	q := with(f, "limit", strconv.Itoa(listLimit))
	down, ahead := !l.Upwards(), l.Asked.Get("ahead")
	if l.ByTime() {
		ahead = ""
	}
	beyond, cursor := l.Asked.Get("beyond"), l.Asked.Get("cursor")
	order := l.Asked.Get("sort")
	if order == "" {
		order = "-seq"
	}
	switch {
	case ahead != "":
		order = map[bool]string{true: "seq", false: "-seq"}[down]
		q.Set(map[bool]string{true: "after", false: "before"}[down], ahead)
	case cursor != "":
		q.Set("cursor", cursor)
	case beyond != "" && !l.ByTime():
		q.Set(map[bool]string{true: "before", false: "after"}[down], beyond)
	}
	q.Set("sort", order)
	page, err := s.deps.Entries.ListEntries(ctx, q)
	if err != nil {
		return err
	}
	if ahead != "" && page.Next == "" && len(page.Entries) < listLimit { // the beginning, and not a page that is nearly empty
		l.Asked.Del("ahead")
		return s.fill(ctx, l, f)
	}
	if err := l.take(page, ahead != ""); err != nil {
		return err
	}
	l.Begins = ahead == "" && cursor == "" && beyond == ""
	l.links(page.Next, ahead != "")
	if page, err := s.deps.Entries.ListEntries(ctx, with(f, "limit", "1", "count", "true")); err == nil {
		l.Total, l.Filter = page.Count, page.Filter
	}
	return nil
}

// take puts entries into the list, in its order.
func (l *list) take(page console.EntryList, reversed bool) error {
	l.Filter, l.Indexed, l.Head, l.Missing = page.Filter, page.Indexed, page.Head, page.Missing
	for _, raw := range page.Entries {
		e, err := record.ParseEntry(raw)
		if err != nil {
			return err
		}
		l.Entries = append(l.Entries, e)
	}
	if reversed {
		slices.Reverse(l.Entries)
	}
	return nil
}

// links says where the parts before and after this one are.
func (l *list) links(next string, reversed bool) {
	n := len(l.Entries)
	switch {
	case next == "" && !reversed:
	case n == 0 || l.ByTime():
		l.On = l.address("cursor", next)
	default:
		l.On = l.address("beyond", strconv.FormatUint(l.Entries[n-1].Seq, 10))
	}
	l.Begins = l.Begins || reversed && next == ""
	if !l.Begins && n > 0 && !l.ByTime() {
		l.Back = l.address("ahead", strconv.FormatUint(l.Entries[0].Seq, 10))
	}
}

// with is a copy that also says something else: names and values in turn.
func with(v url.Values, also ...string) url.Values {
	c := maps.Clone(v)
	for i := 0; i+1 < len(also); i += 2 {
		c.Set(also[i], also[i+1])
	}
	return c
}

// corrections finds what entries say of the stamps of others.
func (s *Screens) corrections(ctx context.Context, into *record.Corrections) error {
	f := url.Values{"kind": {string(record.KindClockCorrected)}, "sort": {"seq"}, "limit": {"1000"}}
	for into.Len() < fixesLimit {
		page, err := s.deps.Entries.ListEntries(ctx, f)
		if err != nil {
			return err
		}
		for _, raw := range page.Entries {
			e, err := record.ParseEntry(raw)
			if err != nil {
				return err
			}
			if err := into.Add(e); err != nil {
				return err
			}
		}
		if page.Next == "" {
			return nil
		}
		f.Set("cursor", page.Next)
	}
	return nil
}

// one reads a single entry next to a place: the first that a filter wants.
func (s *Screens) oneEntry(ctx context.Context, f url.Values) (record.Entry, bool) {
	page, err := s.deps.Entries.ListEntries(ctx, with(f, "limit", "1"))
	if err != nil || len(page.Entries) != 1 {
		return record.Entry{}, false
	}
	e, err := record.ParseEntry(page.Entries[0])
	return e, err == nil
}

// entryPath is where one entry is shown.
func entryPath(e record.Entry) string {
	if e.Kind.Numbered() && strings.Count(e.ID, "/") == 3 {
		part := strings.Split(e.ID, "/")
		for i := range part {
			part[i] = url.PathEscape(part[i])
		}
		return "/weighed/" + strings.Join(part, "/")
	}
	return "/happened/" + strconv.FormatUint(e.Seq, 10)
}

// taking is what a page offers for taking entries away as a file.
type taking struct {
	List  *list
	Forms []choice
}

// takes gives that, or nil where whoever looks may not.
func (s *Screens) takes(r *http.Request, l *list) *taking {
	if s.deps.Exports == nil || rights.From(r.Context()).May(rights.Export) != nil || l.Told != "" {
		return nil
	}
	return &taking{l, []choice{{"csv", "CSV, for spreadsheets and programs"}, {"ndjson", "NDJSON, the exact entries"},
		{"parquet", "Parquet, for data tools"}, {"pdf", "PDF, for reading and signing"}}}
}

// Parts are the parameters of the filter, for a form.
func (t *taking) Parts() []choice {
	v, err := url.ParseQuery(t.List.API)
	if err != nil {
		return nil
	}
	var all []choice
	for _, name := range append([]string{"kind", "from", "to"}, filterTexts...) {
		if s := v.Get(name); s != "" {
			all = append(all, choice{name, s})
		}
	}
	return all
}

// noEntries says on a page that there is no journal to read.
func (s *Screens) noEntries(w http.ResponseWriter, r *http.Request) bool {
	if s.deps.Entries != nil {
		return false
	}
	s.sorry(w, r, http.StatusServiceUnavailable, "The journal cannot be read here", "This weighpost shows no entries.")
	return true
}

// rowWords are an entry's columns; what cannot be read is empty.
func (l *list) rowWords(e record.Entry) tell.Row {
	row, err := tell.RowOf(e, &l.fixed)
	if err != nil {
		return tell.Row{Seq: e.Seq, ID: e.ID, Kind: e.Kind, What: err.Error()}
	}
	return row
}

// seen writes what cannot be seen in a text, or turns its direction, by its number, as in <U+202E>. Line ends stay.
func seen(text string) string {
	var b strings.Builder
	for _, r := range text {
		if unicode.IsPrint(r) || r == '\n' {
			b.WriteRune(r)
		} else {
			fmt.Fprintf(&b, "<%U>", r)
		}
	}
	return b.String()
}

// fine writes a time to the microsecond, as it was recorded: 2026-11-25 10:04:05.123456 +01:00.
func fine(t any) string {
	if instant(t).IsZero() {
		return "–"
	}
	return instant(t).Local().Format("2006-01-02 15:04:05.000000 -07:00")
}

// there writes a time as the clocks of its place showed it, with the offset that they had: whoever looks may sit in another zone.
func there(s record.Stamp) string {
	at, _ := s.There()
	if at.IsZero() {
		return "–"
	}
	return at.Format("2006-01-02 15:04:05.000000 -07:00")
}

// Self is the list, for what lists have in common.
func (l *list) Self() *list { return l }

// entriesWords says "1 entry", "2 entries".
func entriesWords(n uint64) string {
	return one(n, "entry", "entries")
}

// HowMany says how many entries the filter wants; "": that is not known.
func (l *list) HowMany() string {
	if l.Total == nil {
		return ""
	}
	return entriesWords(*l.Total)
}

// Said is what was asked for, in words: the kinds as the page names them, and the rest as the answer gives it.
func (l *list) Said() string {
	rest := strings.TrimPrefix(l.Filter, "entries with ")
	if strings.HasPrefix(rest, "kind ") {
		_, rest, _ = strings.Cut(rest, ", ")
	}
	if rest == "" || rest == "all entries" {
		return l.Kinds
	}
	return l.Kinds + ", with " + rest
}
