package screens

import (
	"encoding/json"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// mostRecords is how many of its last records the page of a balance lists.
const mostRecords = 20

// balanceData is what the page of one balance shows.
type balanceData struct {
	asked
	*shown
	Wrong   troubles
	Records []*record.Weighing
	NoList  string // why there is no list; "" where there is
	Reads   bool   // whoever looks may read the journal
	May     bool   // and weigh here
	SignsIn bool   // they could sign in
	Changes bool   // and change the balance
	Bytes   []byteRow
	LastID  string
	Banner  *fitBanner
	Checked bool   // balances are checked here
	Run     string // the run that is at it; ""
	RunPage string
	Refusal string // why no weight is recorded from here now, for its fitness
	Zone    string
}

// balance answers: what does the balance show now?
func (s *Screens) balance(w http.ResponseWriter, r *http.Request) {
	b, ok := s.balanceAt(w, r)
	if !ok {
		return
	}
	who, now, list := s.who(r), time.Now(), s.conditions()
	d := &balanceData{asked: askedFor(r), shown: s.shown(who, b, list, now), Reads: who.Can("read-journal"), May: who.CanAt(string(rights.Weigh), b.ID),
		Changes: who.CanAt(string(rights.Balances), b.ID), Zone: now.Format("-07:00")}
	for i := range d.Troubles {
		d.Troubles[i].Acts = elsewhere(d.Troubles[i].Acts, "/balances/"+url.PathEscape(b.ID))
	}
	d.Wrong = troubles{List: d.Troubles, About: b.ID, Print: printConditions(list, b.ID)}
	d.SignsIn = who.Accounts && !who.SignedIn()
	d.Banner, d.Checked = d.banner(who), s.deps.Fitness != nil
	if d.Checked {
		f, _ := s.deps.Fitness.FitnessOf(b.ID)
		d.Refusal = f.Refusal
	}
	if s.deps.Runs != nil {
		if v, there := s.deps.Runs.RunAt(b.ID); there {
			d.Run, d.RunPage = v.Title, runPath(v.ID)
		}
	}
	if b.Last != nil {
		d.LastID = b.Last.ID
	}
	if b.LastUnread != nil {
		d.Bytes = bytesOf(b.LastUnread.Frame)
	}
	if d.Reads && s.deps.Entries != nil && (len(d.asked) == 0 || d.Wants("records")) {
		d.Records, d.NoList = s.lastRecords(r, b.ID)
	}
	if s.parts(w, r, "balance.html", d) {
		return
	}
	s.show(w, r, page{Template: "balance.html", Title: "Balance " + b.ID, Place: "/", Scripts: []string{"now.js"}, Data: d})
}

// lastRecords are what a balance had recorded last, the newest first.
func (s *Screens) lastRecords(r *http.Request, balance string) (list []*record.Weighing, why string) {
	l, err := s.deps.Entries.ListEntries(r.Context(), url.Values{"kind": {string(record.KindWeighing), string(record.KindResult)}, "balance": {balance},
		"sort": {"-seq"}, "limit": {strconv.Itoa(mostRecords)}})
	if err != nil {
		return nil, err.Error()
	}
	for _, raw := range l.Entries {
		var one record.Weighing
		if json.Unmarshal(raw, &one) == nil {
			list = append(list, &one)
		}
	}
	return list, ""
}

// wallData is what a screen on the wall shows.
type wallData struct {
	asked
	Balances []*shown
	One      bool
	Ground   string // dark or light where the address says so; "": as the computer of the screen has it
	Some     bool   // the address names some of the balances
}

// wall shows large digits and nothing that acts: of one balance, of those that ?balance= names, of those at a ?place=, or of all.
func (s *Screens) wall(w http.ResponseWriter, r *http.Request) {
	who, now, list, q := s.who(r), time.Now(), s.conditions(), r.URL.Query()
	d := &wallData{asked: askedFor(r), One: r.PathValue("id") != "", Some: q.Has("balance") || q.Get("place") != ""}
	if ground := q.Get("ground"); ground == "dark" || ground == "light" {
		d.Ground = ground
	}
	for _, b := range s.deps.Source.Balances() {
		named, place := q["balance"], q.Get("place")
		if d.One {
			named = []string{r.PathValue("id")}
		}
		if (len(named) == 0 || asked(named).Wants(b.ID)) && (place == "" || b.Place == place) {
			d.Balances = append(d.Balances, s.shown(who, b, list, now))
		}
	}
	if d.One && len(d.Balances) == 0 {
		s.sorry(w, r, http.StatusNotFound, "There is no such balance", "No balance of that id is configured.")
		return
	}
	if s.parts(w, r, "wall.html", d) {
		return
	}
	s.show(w, r, page{Template: "wall.html", Title: "Weights", Bare: true, Scripts: []string{"now.js"}, Data: d})
}

// Size says into how many columns the balances go.
func (d *wallData) Size() string {
	switch n := len(d.Balances); {
	case n <= 1:
		return "one"
	case n <= 4:
		return "few"
	case n <= 12:
		return "several"
	}
	return "crowd"
}
