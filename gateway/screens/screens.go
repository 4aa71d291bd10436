// Package screens has the pages that people look at: what balances show, what was weighed, what happened, whether everything is
// delivered, who may do what, and the forms by which all of that is changed.
//
// Pages are made here, whole, of templates; a small script keeps them up to date and sends what a form holds. A page changes
// nothing by itself: its forms ask the API, which judges who may, records who did, and is documented. What somebody may not do is
// not offered to them. Everything from outside is text, never markup: html/template writes it, and scripts set it as text.
//
// A page is a Go file, a template of the same name in templates and, where it moves, a script in assets.
package screens

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"slices"
	"strings"
	"sync"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/rights"
)

//go:embed templates assets
var files embed.FS

// Deps is what pages show: the same that the console has for programs.
type Deps = console.Deps

// Screens makes pages.
type Screens struct {
	deps   Deps
	places []place // of the navigation
}

// shared are the templates that every page may use.
var shared = []string{"templates/frame.html", "templates/parts.html", "templates/listparts.html", "templates/fitparts.html", "templates/chart.html", "templates/runparts.html", "templates/reviewparts.html",
	"templates/reportsof.html"}

// parsed are the pages by file name, each parsed once a process, when it is first shown: they are the same whatever they show, and parsing
// all of them would be a third of what a start has the processor do (race detector). A template that cannot be parsed is a mistake of the program, and panics.
var parsed = sync.OnceValue(func() map[string]func() *template.Template {
	names, err := fs.Glob(files, "templates/*.html")
	if err != nil {
		panic(err)
	}
	pages := make(map[string]func() *template.Template)
	for _, name := range names {
		if !slices.Contains(shared, name) {
			pages[path.Base(name)] = sync.OnceValue(func() *template.Template {
				return template.Must(template.Must(framed().Clone()).ParseFS(files, name))
			})
		}
	}
	return pages
})

// framed is what all pages are made with.
var framed = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("frame.html").Funcs(words()).Funcs(personWords()).Funcs(runFuncs).Funcs(reviewFuncs).ParseFS(files, shared...))
})

// New makes the pages.
func New(deps Deps) *Screens { return &Screens{deps, places} }

// Routes are all pages, and the files that they are made of, each with the right that it needs.
func (s *Screens) Routes() []console.Screen {
	list := slices.Clone(assets())
	for _, p := range s.table() {
		list = append(list, console.Screen{Pattern: p.pattern, Right: p.right, Handler: p.show, Page: true})
	}
	return list
}

// row is one page: where it is, which right it needs, and what shows it.
type row struct {
	pattern string
	right   rights.Right
	show    http.HandlerFunc
}

// table is every page. Each subject adds its own rows.
func (s *Screens) table() []row {
	return slices.Concat(s.nowPages(), s.benchPages(), s.recordPages(), s.deliveryPages(), s.fitnessPages(), s.containerPages(), s.reportPages(), s.runPages(), s.reviewPages(), s.statisticsPages(), s.procedurePages(), s.addPages(), s.peoplePages(),
		s.settingsPages(), s.requestPages())
}

// TurnedAway shows somebody why they do not see a page.
func (s *Screens) TurnedAway(w http.ResponseWriter, r *http.Request, status int, title, detail string) {
	s.write(w, r, status, page{Template: "turned-away.html", Title: title, Data: detail})
}

var contentTypes = map[string]string{
	".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml",
}

// iconPath is where browsers ask for the sign of the site without being told.
const iconPath = "/icon.svg"

// assets are the embedded files, which are under /assets/ but for the icon.
var assets = sync.OnceValue(func() (list []console.Screen) {
	all, err := fs.ReadDir(files, "assets")
	if err != nil {
		panic(err) // the files are part of the program
	}
	for _, f := range all {
		b, err := files.ReadFile(path.Join("assets", f.Name()))
		if err != nil {
			panic(err)
		}
		sum := sha256.Sum256(b)
		where, tag := "/assets/"+f.Name(), `"`+hex.EncodeToString(sum[:6])+`"`
		if "/"+f.Name() == iconPath {
			where = iconPath
		}
		list = append(list, console.Screen{Pattern: where, Right: console.Everybody, Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Type", contentTypes[path.Ext(f.Name())])
			w.Header().Set("Cache-Control", "no-cache")
			w.Header().Set("ETag", tag)
			http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(b))
		})})
	}
	return list
})

// page is one page as it is to be shown.
type page struct {
	Template string   // file name in templates
	Title    string   // heading, and title of the window
	Place    string   // path of the entry of the navigation that it belongs to, such as /weighed
	Scripts  []string // file names in assets, besides frame.js
	Bare     bool     // no navigation: a bench screen, a wall display
	Data     any      // what the template shows
}

// frame is what every page is given.
type frame struct {
	page
	Site, Version string
	Places        []place
	Who           who
	At            time.Time
	Zone          string // of this computer: +01:00. Scripts write times in it
	Path          string // of this page, with its query
	// StopsAll and StopsOne are the codes of conditions that keep all balances, or the one that they are about, from being recorded.
	StopsAll, StopsOne []string
}

// place is an entry of the navigation.
type place struct {
	Path, Label string
	Here        bool
	Waits       string         // how much there waits for whoever looks; "": nothing, or it is not counted
	right       []rights.Right // one of these is needed
}

// open says whether somebody may open it.
func (p *place) open(w rights.Who) bool {
	return slices.ContainsFunc(p.right, func(r rights.Right) bool { return r == console.Everybody || w.May(r) == nil })
}

// places are all entries of the navigation, in order. Whoever may not open one does not see it.
var places = []place{
	{Path: "/", Label: "Now", right: []rights.Right{rights.See}},
	{Path: "/due", Label: "Due", right: []rights.Right{rights.See}},
	{Path: "/runs", Label: "Runs", right: []rights.Right{rights.See}},
	{Path: reviewsPath, Label: "Reviews", right: []rights.Right{rights.ReviewRuns, rights.ApproveRuns}},
	{Path: "/weighed", Label: "Weighed", right: []rights.Right{rights.ReadJournal}},
	{Path: "/happened", Label: "Happened", right: []rights.Right{rights.ReadJournal}},
	{Path: "/procedures", Label: "Procedures", right: []rights.Right{rights.See}},
	{Path: "/delivered", Label: "Delivered", right: []rights.Right{rights.See}},
	{Path: "/people", Label: "People", right: []rights.Right{rights.ReadPeople}},
	{Path: "/clock", Label: "Clock", right: []rights.Right{rights.See}},
	{Path: "/settings", Label: "Settings", right: []rights.Right{rights.ReadSettings}},
	{Path: "/manual", Label: "Manual", right: []rights.Right{console.Everybody}},
}

// who is whoever looks at a page.
type who struct {
	rights.Who
	Accounts bool // people can sign in here
}

// SignedIn says whether a person is signed in.
func (w who) SignedIn() bool { return w.Session != "" }

// Can says whether whoever looks has a right, by its name.
func (w who) Can(right string) bool { return w.May(rights.Right(right)) == nil }

// CanAt says whether whoever looks has a right at a balance.
func (w who) CanAt(right, balance string) bool { return w.MayAt(rights.Right(right), balance) == nil }

// Name is how whoever looks is called.
func (w who) Name() string {
	if w.Actor.Name != "" {
		return w.Actor.Name
	}
	return w.Actor.ID
}

func (s *Screens) who(r *http.Request) who {
	return who{rights.From(r.Context()), s.deps.Access != nil}
}

// show writes a page.
func (s *Screens) show(w http.ResponseWriter, r *http.Request, p page) {
	s.write(w, r, http.StatusOK, p)
}

// sorry says on a page why there is nothing else on it.
func (s *Screens) sorry(w http.ResponseWriter, r *http.Request, status int, title, detail string) {
	s.TurnedAway(w, r, status, title, detail)
}

func (s *Screens) write(w http.ResponseWriter, r *http.Request, status int, p page) {
	f := frame{page: p, Site: s.deps.Site, Version: s.deps.Version, Who: s.who(r), At: time.Now(), Path: r.URL.RequestURI()}
	f.Zone = f.At.Format("-07:00")
	f.StopsAll, f.StopsOne = console.Stoppers()
	for _, one := range s.places {
		if one.open(f.Who.Who) {
			one.Here = one.Path == p.Place
			if one.Path == reviewsPath && !p.Bare {
				one.Waits = s.waiting(f.Who)
			}
			f.Places = append(f.Places, one)
		}
	}
	var b bytes.Buffer
	if err := parsed()[p.Template]().ExecuteTemplate(&b, "frame.html", f); err != nil {
		s.deps.Log.Error("a page cannot be made", "page", p.Template, "err", err)
		http.Error(w, "This page cannot be made: "+strings.ToValidUTF8(err.Error(), "?"), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	w.Write(b.Bytes())
}
