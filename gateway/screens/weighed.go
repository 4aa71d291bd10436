package screens

import (
	"encoding/json"
	"net/http"
	"strings"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

func (s *Screens) recordPages() []row {
	return []row{
		{"/weighed", rights.ReadJournal, s.showWeighed},
		{"/weighed/{site}/{incarnation}/{balance}/{number}", rights.ReadJournal, s.showRecord},
		{"/happened", rights.ReadJournal, s.showHappened},
		{"/happened/{seq}", rights.ReadJournal, s.showEntry},
		{"/happened/reviews", rights.ReadJournal, s.showReviews},
		{"/backups", rights.ReadJournal, s.showBackups},
		{"/samples", rights.See, s.showSamples},
	}
}

var weighedKinds = []record.Kind{record.KindWeighing, record.KindResult}

// kindsOfWeighed reads what a list of weighings is asked for: weighings, results, or both.
func kindsOfWeighed(word string) []record.Kind {
	switch k := record.Kind(word); k {
	case record.KindWeighing, record.KindResult:
		return []record.Kind{k}
	}
	return weighedKinds
}

// weighedPage is a list of weighings.
type weighedPage struct {
	*list
	Rows          []weighed
	Take          *taking
	Reports       *reportsOf
	ChoiceOfKinds []choice
	// Never says that nothing was ever weighed; Balances, whether there is a balance at all.
	Never, Balances bool
}

func (s *Screens) showWeighed(w http.ResponseWriter, r *http.Request) {
	if s.noEntries(w, r) {
		return
	}
	l := s.list(r, "/weighed", kindsOfWeighed(r.URL.Query().Get("kind")))
	p := weighedPage{list: l, Take: s.takes(r, l), Reports: s.reportsOfWeighed(r, l), Balances: len(l.Asked.Choices) > 0,
		ChoiceOfKinds: []choice{{"", "weighings and results"}, {"weighing", "weighings"}, {"result", "results: pieces, percent"}}}
	for _, k := range p.ChoiceOfKinds {
		if l.Asked.Is("kind", k.Value) || l.Kinds == "" {
			l.Kinds = k.Words
		}
	}
	for _, e := range l.Entries {
		p.Rows = append(p.Rows, readWeighed(e, &l.fixed))
	}
	alignValues(p.Rows)
	p.Never = l.Told == "" && len(p.Rows) == 0 && !l.Asked.Narrowed() && l.Begins && l.On == ""
	s.show(w, r, page{Template: "weighed.html", Title: "What was weighed", Place: "/weighed", Scripts: []string{"lists.js"}, Data: &p})
}

// weighed is a weighing or a result as a page shows it.
type weighed struct {
	record.Weighing
	Entry     record.Entry
	Path      string
	Corrected *record.CorrectedTime
	Broken    string // why it cannot be read
	Pad       string // blanks as wide as what others of the column have after these digits
}

func readWeighed(e record.Entry, fixed *record.Corrections) weighed {
	x := weighed{Entry: e, Path: entryPath(e)}
	if err := json.Unmarshal(e.JSON, &x.Weighing); err != nil {
		x.Broken = err.Error()
	}
	if c, ok := fixed.OfEntry(e); ok {
		x.Corrected = &c
	}
	return x
}

// Blanks as wide as a digit and as a point (Unicode, FIGURE SPACE and PUNCTUATION SPACE): where a page is read without its styles,
// nothing of them can be taken for a digit.
const digitBlank, pointBlank = "\u2007", "\u2008"

// alignValues has the decimal points of a column stand below each other, without a digit that was not printed: what others have
// after the point is left free.
func alignValues(rows []weighed) {
	most := 0
	after := func(x *weighed) int {
		if x.Value.Range != "in" {
			return 0
		}
		_, decimals, _ := strings.Cut(x.Value.Digits, ".")
		return len(decimals)
	}
	for i := range rows {
		most = max(most, after(&rows[i]))
	}
	for i := range rows {
		n := after(&rows[i])
		if rows[i].Pad = strings.Repeat(digitBlank, most-n); n == 0 && most > 0 {
			rows[i].Pad = pointBlank + rows[i].Pad
		}
	}
}

// Unit is the unit as it was printed.
func (x *weighed) Unit() string { return x.Value.UnitShown() }

// flag is a shape with a word.
type flag struct{ Shape, Class, Words string }

// Flags are what whoever uses the value has to know of it, the gravest first.
func (x *weighed) Flags() (all []flag) {
	add := func(given bool, shape, class, words string) {
		if given {
			all = append(all, flag{shape, class, words})
		}
	}
	add(x.Broken != "", "error", "bad", "cannot be read")
	add(x.Broken == "" && x.Value.Range != "in", "error", "bad", x.Value.Range+" range, no value")
	for _, v := range x.Verdicts {
		add(v.Failed(), "error", "bad", spacedWords(v.Rule)+" not passed")
	}
	add(x.Fitness.State == record.OutOfService, "error", "bad", "balance out of service")
	add(x.Fitness.Held, "warning", "doubt", "held back")
	add(x.Fitness.State == record.CheckOverdue, "warning", "doubt", "check overdue")
	add(x.Fitness.State == record.InCheck, "warning", "doubt", "balance in check")
	add(x.Value.Stability == "unstable", "moving", "doubt", "unstable")
	add(x.Balance.Identity == "unconfirmed", "warning", "doubt", "balance not confirmed")
	add(x.Stamp.Clock == record.ClockUnchecked, "warning", "doubt", "clock unchecked")
	add(x.Stamp.Clock == record.ClockHoldover, "notice", "said", "clock on its own")
	add(x.Stamp.Stalled != nil, "warning", "doubt", "read late")
	add(x.Corrected != nil, "notice", "said", "time corrected")
	for _, v := range x.Verdicts {
		add(v.Passed(), "well", "good", spacedWords(v.Rule)+" passed")
		add(v.NotJudged, "notice", "said", spacedWords(v.Rule)+" not judged")
	}
	return all
}

// spacedWords makes words of a name in code.
func spacedWords(name string) string { return strings.NewReplacer("-", " ", "_", " ").Replace(name) }

// Clocks are the states of the clock that can be asked for.
func (p *weighedPage) Clocks() []string {
	return []string{record.ClockChecked, record.ClockHoldover, record.ClockUnchecked}
}
