package screens

import (
	"fmt"
	"net/http"
	"strings"
	"time"

	"github.com/boombuler/barcode/code128"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

func (s *Screens) benchPages() []row {
	return []row{
		{"/bench", rights.See, s.benchBind},
		{"/bench/cards", rights.See, s.benchCards},
		{"/bench/{id}", rights.See, s.bench},
		{"/balances/{id}/label", rights.See, s.balanceLabel},
	}
}

// benchBind is where a screen learns at which balance it stands.
func (s *Screens) benchBind(w http.ResponseWriter, r *http.Request) {
	s.show(w, r, page{Template: "bench-bind.html", Title: "Put this screen at a balance", Place: "/", Scripts: []string{"bench-bind.js"}, Data: s.deps.Source.Balances()})
}

// benchData is what a bench screen shows of its balance.
type benchData struct {
	*shown
	Beginnings []console.Beginning // how scans begin, by the rules of its scanner
	May        bool                // whoever looks may act here
	Next       string              // what to do next
	Why        string              // nothing is recorded
	asked
	Banner *fitBanner
	Run    *runData            // that is at the balance
	Later  []console.RunGlance // that are at no balance and may be taken up here
	Runs   bool                // whoever looks may begin one
	Asked  []requestRow        // requests that wait for the sample that is there, and that this balance can do
	Queue  []requestRow        // those that it can do, whatever their sample, in their order
}

// bench is the screen at one balance.
func (s *Screens) bench(w http.ResponseWriter, r *http.Request) {
	b, ok := s.balanceAt(w, r)
	if !ok {
		return
	}
	who, list := s.who(r), s.conditions()
	d := benchData{shown: s.shown(who, b, list, time.Now()), May: who.CanAt(string(rights.Weigh), b.ID)}
	if s.deps.Benches != nil {
		d.Beginnings = s.deps.Benches.Beginnings(b.ID)
	}
	for _, c := range list {
		if d.NotRecorded && console.StopsRecording(c) && d.Why == "" {
			d.Why = c.Sentence
		}
	}
	s.runsAt(r, &d)
	d.Next, d.Banner, d.asked = d.next(who), d.banner(who), askedFor(r)
	if s.parts(w, r, "bench.html", d) {
		return
	}
	s.show(w, r, page{Template: "bench.html", Title: "Bench · " + b.ID, Bare: true, Scripts: []string{"bench.js"}, Data: d})
}

// mostLater is how many runs a bench screen offers to be taken up.
const mostLater = 5

// runsAt says which run is at the balance, or which may be taken up there.
func (s *Screens) runsAt(r *http.Request, d *benchData) {
	if s.deps.Runs == nil {
		return
	}
	d.Runs = s.who(r).CanAt(string(rights.Run), d.ID)
	if d.Run = s.runHere(r, d.ID); d.Run != nil || len(askedFor(r)) > 0 && !askedFor(r).Wants("here-run") {
		return
	}
	s.requestsAt(d)
	list, err := s.deps.Runs.Runs(r.Context(), console.RunsAsked{State: record.RunOpen, Limit: runsLimit})
	if err != nil {
		s.deps.Log.Warn("the open runs cannot be listed", "err", err)
		return
	}
	for _, g := range list.Runs {
		if g.Balance == "" && len(d.Later) < mostLater {
			d.Later = append(d.Later, g)
		}
	}
}

// next is what whoever stands there does next, in one line. assets/bench.js says the same of what comes later.
func (d *benchData) next(w who) string {
	switch {
	case d.NotRecorded:
		return "Write each weight down by hand."
	case !d.May && w.Accounts:
		return "This screen only shows. Scan your badge to weigh."
	case !d.May:
		return "This screen only shows."
	case d.Fitness != nil && d.Fitness.State == record.OutOfService:
		return "Do not weigh here: the balance is out of service."
	case d.Identity == "unconfirmed":
		return "Scan the label of the balance: it may be another one."
	case d.Run != nil:
		return d.Run.Said()
	case d.Person == nil:
		return "Scan your badge."
	case d.Sample == nil:
		return "Scan the sample."
	}
	return "Put the sample on, and print at the balance."
}

// balanceAt is the balance that a page is about. It answers where there is none.
func (s *Screens) balanceAt(w http.ResponseWriter, r *http.Request) (console.Balance, bool) {
	id := r.PathValue("id")
	for _, b := range s.deps.Source.Balances() {
		if b.ID == id {
			return b, true
		}
	}
	s.sorry(w, r, http.StatusNotFound, "There is no such balance", "No balance has the id "+id+": look for it among the balances.")
	return console.Balance{}, false
}

// card is a barcode with what it means.
type card struct {
	Word, Means string
	Code        barcode
}

var cardWords = []struct{ step, word, means string }{
	{record.StepNext, "Next", "This sample is finished. The screen asks for the next scan."},
	{record.StepRepeat, "Repeat", "The same sample holds for one more weighing."},
	{record.StepAbandon, "Abandon", "This sample and its run are not on the next weighings. What was recorded stays."},
	{record.CardYes, "Yes", "What the screen asks is meant."},
	{record.CardSignOut, "Sign out", "Person and sample end at this balance."},
}

// benchCards are cards to print and to scan at any bench.
func (s *Screens) benchCards(w http.ResponseWriter, r *http.Request) {
	var list []card
	for _, c := range cardWords {
		code, err := bars(record.CardCode(c.step))
		if err != nil { // the codes are ours
			s.sorry(w, r, http.StatusInternalServerError, "The cards cannot be made", err.Error())
			return
		}
		list = append(list, card{c.word, c.means, code})
	}
	s.show(w, r, page{Template: "bench-cards.html", Title: "Cards for the bench", Place: "/", Data: list})
}

// balanceLabel is the label to stick to a balance.
func (s *Screens) balanceLabel(w http.ResponseWriter, r *http.Request) {
	b, ok := s.balanceAt(w, r)
	if !ok {
		return
	}
	code, err := bars(record.LabelCode(b.ID))
	if err != nil {
		s.sorry(w, r, http.StatusInternalServerError, "The label cannot be made", err.Error())
		return
	}
	s.show(w, r, page{Template: "balance-label.html", Title: "Label of " + b.ID, Place: "/", Data: struct {
		console.Balance
		Code barcode
	}{b, code}})
}

// barcode is a barcode as an SVG has it, in modules.
type barcode struct {
	Text         string
	Width        int // with the quiet zones
	Path         string
	HeightOfBars int
}

const (
	quietZone  = 10 // modules beside a Code 128 (ISO/IEC 15417, from memory; GS1 General Specifications, 5.4)
	barsHeight = 42 // modules; at least 15 % of the length is common
)

// bars writes a text as Code 128 (ISO/IEC 15417).
func bars(text string) (barcode, error) {
	image, err := code128.Encode(text)
	if err != nil {
		return barcode{}, fmt.Errorf("%q cannot be a barcode: %w", text, err)
	}
	width := image.Bounds().Dx()
	dark := func(x int) bool {
		if x >= width {
			return false
		}
		v, _, _, _ := image.At(x, 0).RGBA()
		return v == 0
	}
	var path strings.Builder
	for x := 0; x < width; x++ {
		if !dark(x) {
			continue
		}
		from := x
		for dark(x) {
			x++
		}
		fmt.Fprintf(&path, "M%d 0h%dv%dh-%dz", from+quietZone, x-from, barsHeight, x-from)
	}
	return barcode{Text: text, Width: width + 2*quietZone, Path: path.String(), HeightOfBars: barsHeight}, nil
}
