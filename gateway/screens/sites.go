package screens

import (
	"cmp"
	"context"
	"log/slog"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/archive"
	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// SitesArchive is what pages over many sites show: an archive.Reader.
type SitesArchive interface {
	Entries(ctx context.Context, f archive.Filter, before *archive.Place, limit int) ([]archive.Stored, error)
	Entry(ctx context.Context, id string) (archive.Stored, error)
	Gateways(ctx context.Context) ([]archive.Gateway, error)
	Oddities(ctx context.Context, site string) ([]archive.Oddity, error)
	Prove(ctx context.Context, s archive.Stored) (archive.Inclusion, error)
}

// SitesDeps is what these pages are made of.
type SitesDeps struct {
	Name, Version string // of the archive
	Archive       SitesArchive
	KeyOf         func(note []byte) string // the key that signed a checkpoint, as text; "": it is not known here
	Log           *slog.Logger
}

// Sites makes the pages over an archive of many gateways: the console's own, for what they have in common. They only show: there is no form
// that sends anything, and no address that takes it.
type Sites struct {
	*Screens
	archive SitesArchive
	keyOf   func(note []byte) string
}

var sitesPlaces = []place{
	{Path: "/", Label: "Gateways", right: []rights.Right{rights.See}},
	{Path: "/weighed", Label: "Weighed", right: []rights.Right{rights.ReadJournal}},
	{Path: "/happened", Label: "Happened", right: []rights.Right{rights.ReadJournal}},
	{Path: "/manual", Label: "Manual", right: []rights.Right{console.Everybody}},
}

// NewSites makes them.
func NewSites(d SitesDeps) *Sites {
	return &Sites{&Screens{Deps{Site: d.Name, Version: d.Version, Log: d.Log}, sitesPlaces}, d.Archive, d.KeyOf}
}

// Routes are all pages over an archive, and the files that they are made of.
func (s *Sites) Routes() []console.Screen {
	list := slices.Clone(assets())
	for _, p := range []row{
		{"/{$}", rights.See, s.showGateways},
		{"/gateway/{site}/{incarnation}", rights.See, s.showGateway},
		{"/weighed", rights.ReadJournal, s.showWeighedAt},
		{"/happened", rights.ReadJournal, s.showHappenedAt},
		{"/entry/{site}/{incarnation}/{balance}/{number}", rights.ReadJournal, s.showEntryAt},
		{"/proof/{site}/{incarnation}/{balance}/{number}", rights.Export, s.giveProof},
		{"/manual", console.Everybody, s.manual}, {"/manual/{topic}", console.Everybody, s.manualPage},
	} {
		list = append(list, console.Screen{Pattern: p.pattern, Right: p.right, Handler: p.show, Page: true})
	}
	return list
}

// away says that the archive's database cannot be asked now.
func (s *Sites) away(w http.ResponseWriter, r *http.Request, err error) {
	s.deps.Log.Warn("a page over the archive could not be made", "page", r.URL.Path, "err", err)
	s.sorry(w, r, http.StatusServiceUnavailable, "The archive cannot be read now", err.Error()+". Try again in a moment.")
}

// sitesPage is how many rows a page has.
const sitesPage = 100

// gatewaysPage is every gateway's state, what needs somebody first.
type gatewaysPage struct {
	Site, State  string
	Rows         []gatewayRow
	Counts       []stateCount
	All          int
	More, Before string // addresses of the parts after and before this one
}

type stateCount struct {
	State string
	N     int
	Flag  flag
	Path  string
}

type gatewayRow struct{ archive.Gateway }

// gravity orders states, the worst first.
var gravity = []string{archive.StateDispute, archive.StateNoKey, archive.StateWaiting, archive.StateVerified}

// Flag is the state as a shape with a word.
func (g gatewayRow) Flag() flag { return stateFlag(g.State) }

func stateFlag(state string) flag {
	switch state {
	case archive.StateVerified:
		return flag{"well", "good", state}
	case archive.StateDispute:
		return flag{"error", "bad", state}
	case archive.StateNoKey:
		return flag{"warning", "doubt", state}
	}
	return flag{"notice", "said", state}
}

// Path is the gateway's own page.
func (g gatewayRow) Path() string {
	return "/gateway/" + url.PathEscape(g.Site) + "/" + url.PathEscape(g.Incarnation)
}

func (s *Sites) showGateways(w http.ResponseWriter, r *http.Request) {
	all, err := s.archive.Gateways(r.Context())
	if err != nil {
		s.away(w, r, err)
		return
	}
	q := r.URL.Query()
	p := gatewaysPage{Site: strings.TrimSpace(q.Get("site")), State: q.Get("state"), All: len(all)}
	fit := p.choose(all)
	from, _ := strconv.Atoi(q.Get("from")) // what is no number is the beginning
	from = min(max(from, 0), len(fit))
	to := min(from+sitesPage, len(fit))
	for _, g := range fit[from:to] {
		p.Rows = append(p.Rows, gatewayRow{g})
	}
	turn := func(at int) string {
		return "/?" + url.Values{"site": {p.Site}, "state": {p.State}, "from": {strconv.Itoa(at)}}.Encode()
	}
	if to < len(fit) {
		p.More = turn(to)
	}
	if from > 0 {
		p.Before = turn(max(from-sitesPage, 0))
	}
	s.show(w, r, page{Template: "sites-gateways.html", Title: "Gateways", Place: "/", Data: &p})
}

// choose gives those that fit what was asked for, the worst first, and counts all.
func (p *gatewaysPage) choose(all []archive.Gateway) (fit []archive.Gateway) {
	counts := map[string]int{}
	for _, g := range all {
		counts[g.State]++
		if (p.State == "" || g.State == p.State) && strings.Contains(g.Site, p.Site) {
			fit = append(fit, g)
		}
	}
	for _, state := range gravity {
		p.Counts = append(p.Counts, stateCount{state, counts[state], stateFlag(state), "/?" + url.Values{"state": {state}}.Encode()})
	}
	slices.SortStableFunc(fit, func(a, b archive.Gateway) int {
		return cmp.Compare(slices.Index(gravity, a.State), slices.Index(gravity, b.State))
	})
	return fit
}

// gatewayPage is one gateway's journal in the archive.
type gatewayPage struct {
	gatewayRow
	Oddities []archive.Oddity
	Key      string
}

func (s *Sites) showGateway(w http.ResponseWriter, r *http.Request) {
	site, incarnation := r.PathValue("site"), r.PathValue("incarnation")
	all, err := s.archive.Gateways(r.Context())
	if err != nil {
		s.away(w, r, err)
		return
	}
	i := slices.IndexFunc(all, func(g archive.Gateway) bool { return g.Site == site && g.Incarnation == incarnation })
	if i < 0 {
		s.sorry(w, r, http.StatusNotFound, "There is no such gateway", "Nothing of a journal "+site+"/"+incarnation+" has come to this archive.")
		return
	}
	p := gatewayPage{gatewayRow: gatewayRow{all[i]}, Key: s.keyOf([]byte(all[i].Checkpoint))}
	odd, err := s.archive.Oddities(r.Context(), site)
	if err != nil {
		s.away(w, r, err)
		return
	}
	for _, o := range odd {
		if o.Incarnation == incarnation {
			p.Oddities = append(p.Oddities, o)
		}
	}
	s.show(w, r, page{Template: "sites-gateway.html", Title: "Gateway " + site, Place: "/", Data: &p})
}

// siteTexts are the fields of a search over sites that are texts.
var siteTexts = []string{"site", "balance", "sample", "person", "run", "lot", "method"}

// siteList is a part of what all sites recorded.
type siteList struct {
	Where  string
	Asked  question
	Stored []archive.Stored
	On     string // address of what is older; "": there is nothing
	Begins bool   // nothing is newer
	Told   string // what of the question cannot be understood
	Sites  []string
}

// listAt reads a part, newest first. With false it has answered itself.
func (s *Sites) listAt(w http.ResponseWriter, r *http.Request, where string, kinds []record.Kind) (*siteList, bool) {
	q := r.URL.Query()
	l := &siteList{Where: where, Asked: question{Values: q, Zone: time.Now().Format("-07:00")}, Begins: q.Get("at") == ""}
	get := func(name string) string { return strings.TrimSpace(q.Get(name)) }
	f := archive.Filter{Site: get("site"), Balance: get("balance"), Person: get("person"), Sample: get("sample"), Run: get("run"), Lot: get("lot"), Method: get("method")}
	for _, k := range kinds {
		f.Kinds = append(f.Kinds, string(k))
	}
	for name, into := range map[string]*time.Time{"from": &f.From, "to": &f.To} {
		day, err := time.ParseInLocation(time.DateOnly, get(name), time.Local)
		switch {
		case get(name) == "":
		case err != nil:
			l.Told = "The day " + get(name) + " cannot be understood: write it as 2026-11-25."
			return l, true
		case name == "to":
			*into = day.AddDate(0, 0, 1) // through this day
		default:
			*into = day
		}
	}
	var before *archive.Place
	if at, err := time.Parse(time.RFC3339Nano, q.Get("at")); err == nil {
		before = &archive.Place{At: at, ID: q.Get("id")}
	}
	var err error
	if l.Stored, err = s.archive.Entries(r.Context(), f, before, sitesPage+1); err != nil {
		s.away(w, r, err)
		return nil, false
	}
	if len(l.Stored) > sitesPage {
		l.Stored = l.Stored[:sitesPage]
		last := l.Stored[sitesPage-1].Place()
		v := l.asked()
		v.Set("at", last.At.Format(time.RFC3339Nano))
		v.Set("id", last.ID)
		l.On = where + "?" + v.Encode()
	}
	return l, true
}

// asked is what was asked for, without where in the list.
func (l *siteList) asked() url.Values {
	v := url.Values{}
	for _, name := range append([]string{"from", "to", "kind"}, siteTexts...) {
		if s := strings.TrimSpace(l.Asked.Get(name)); s != "" {
			v.Set(name, s)
		}
	}
	return v
}

// Narrowed says whether anything was asked for.
func (l *siteList) Narrowed() bool { return len(l.asked()) > 0 }

// Start is the address of the first part.
func (l *siteList) Start() string { return l.Where + "?" + l.asked().Encode() }

// Self gives a template the list itself, whatever page it is part of.
func (l *siteList) Self() *siteList { return l }

// storedEntry is the entry as the pages of a gateway have it.
func storedEntry(e archive.Stored) record.Entry {
	return record.Entry{Seq: e.Seq, Kind: record.Kind(e.Kind), ID: e.ID, Balance: e.Balance, JSON: e.JSON, Late: e.Late}
}

// siteEntryPath is where one entry is shown.
func siteEntryPath(id string) string {
	parts := strings.Split(id, "/")
	for i := range parts {
		parts[i] = url.PathEscape(parts[i])
	}
	return "/entry/" + strings.Join(parts, "/")
}

// provenFlags say how far an entry is shown to be what its gateway recorded.
func provenFlags(e archive.Stored) (all []flag) {
	switch {
	case e.Dispute != "":
		all = append(all, flag{"error", "bad", "journal in dispute"})
	case e.Cosigned:
		all = append(all, flag{"well", "good", "co-signed"})
	case e.Verified:
		all = append(all, flag{"well", "good", "verified"})
	default:
		all = append(all, flag{"notice", "said", "not verified yet"})
	}
	if e.Late {
		all = append(all, flag{"notice", "said", "delivered late"})
	}
	return all
}

// siteWeighed is a weighing of a site.
type siteWeighed struct {
	weighed
	Stored archive.Stored
}

// All are the flags of the weighing, and how far it is proved.
func (x *siteWeighed) All() []flag { return append(x.Flags(), provenFlags(x.Stored)...) }

// sitesWeighedPage lists weighings of all sites.
type sitesWeighedPage struct {
	*siteList
	Rows          []siteWeighed
	ChoiceOfKinds []choice
}

func (s *Sites) showWeighedAt(w http.ResponseWriter, r *http.Request) {
	l, ok := s.listAt(w, r, "/weighed", kindsOfWeighed(r.URL.Query().Get("kind")))
	if !ok {
		return
	}
	p := sitesWeighedPage{siteList: l, ChoiceOfKinds: []choice{{"", "weighings and results"}, {"weighing", "weighings"}, {"result", "results: pieces, percent"}}}
	plain := make([]weighed, len(l.Stored))
	for i, e := range l.Stored {
		plain[i] = readWeighed(storedEntry(e), new(record.Corrections))
		plain[i].Path = siteEntryPath(e.ID)
	}
	alignValues(plain)
	for i, e := range l.Stored {
		p.Rows = append(p.Rows, siteWeighed{plain[i], e})
	}
	s.show(w, r, page{Template: "sites-weighed.html", Title: "What was weighed, at all sites", Place: "/weighed", Data: &p})
}

// siteOccurrence is something that happened at a site.
type siteOccurrence struct {
	occurrence
	Stored archive.Stored
}

// Flags say how far it is proved.
func (x *siteOccurrence) Flags() []flag { return provenFlags(x.Stored) }

// sitesHappenedPage lists what happened at all sites.
type sitesHappenedPage struct {
	*siteList
	Rows   []siteOccurrence
	Groups []kindGroup
}

func (s *Sites) showHappenedAt(w http.ResponseWriter, r *http.Request) {
	l, ok := s.listAt(w, r, "/happened", kindsAsked(r.URL.Query().Get("kind")))
	if !ok {
		return
	}
	p := sitesHappenedPage{siteList: l, Groups: kindGroups}
	for _, e := range l.Stored {
		h := new(list).listed(storedEntry(e))
		h.Path = siteEntryPath(e.ID)
		p.Rows = append(p.Rows, siteOccurrence{h, e})
	}
	s.show(w, r, page{Template: "sites-happened.html", Title: "What happened, at all sites", Place: "/happened", Data: &p})
}
