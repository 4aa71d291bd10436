package screens

import (
	"cmp"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// procedurePages are the procedures with their versions, and the form in which they are written.
func (s *Screens) procedurePages() []row {
	if s.deps.Procedures == nil {
		return nil
	}
	return []row{
		{"/procedures", rights.See, s.procedures},
		{"/procedures/new", rights.Procedures, s.newProcedure},
		{"/procedures/{procedure}", rights.See, s.procedure},
		{"/procedures/{procedure}/edit", rights.Procedures, s.editProcedure},
	}
}

// procedureRow is a version of a procedure in a list.
type procedureRow struct {
	console.ProcedureVersion
	Look fitLook
	Who  string // who may adopt it
}

// proceduresShown is the list of procedures.
type proceduresShown struct {
	Adopted, Waiting, Unused []procedureRow
	Ready                    []console.ReadyProcedure
	May, MayRun              bool
}

// versionLooks say of a version's state what a page does: a word, beside a shape.
var versionLooks = map[string]fitLook{
	"written": {Word: "waits for adoption", Shape: "notice", Class: "doubt"}, "adopted": {Word: "adopted", Shape: "well", Class: "good"},
	"turned down": {Word: "turned down", Shape: "error", Class: "bad"}, "withdrawn": {Word: "withdrawn", Shape: "not-said", Class: "said"},
	"replaced": {Word: "replaced by another version", Shape: "at-rest", Class: "said"},
}

func (s *Screens) procedures(w http.ResponseWriter, r *http.Request) {
	who := rights.From(r.Context())
	p := proceduresShown{May: who.May(rights.Procedures) == nil, MayRun: who.May(rights.Run) == nil}
	for _, one := range s.deps.Procedures.Procedures() {
		used := false
		for _, v := range one.Versions {
			entry := procedureRow{v, versionLooks[v.State], ""}
			switch v.State {
			case "adopted":
				p.Adopted, used = append(p.Adopted, entry), true
			case "written":
				entry.Who = s.adopters(v)
				p.Waiting, used = append(p.Waiting, entry), true
			}
		}
		if !used && len(one.Versions) > 0 {
			p.Unused = append(p.Unused, procedureRow{one.Versions[0], versionLooks[one.Versions[0].State], ""})
		}
	}
	if p.May {
		p.Ready = s.deps.Procedures.ReadyProcedures()
	}
	s.show(w, r, page{Template: "procedures.html", Title: "Procedures", Place: "/procedures", Data: p})
}

// onePersonAdopts says whether the settings let whoever wrote a version adopt it.
func (s *Screens) onePersonAdopts() bool {
	if s.deps.Settings == nil {
		return false
	}
	doc, _ := s.deps.Settings.Settings()
	part, _ := doc["procedures"].(map[string]any)
	return part["adoption"] == "one-person"
}

// adopters says by whom a version may be adopted.
func (s *Screens) adopters(v console.ProcedureVersion) string {
	if s.onePersonAdopts() {
		return "somebody who may adopt procedures"
	}
	return "somebody who may adopt procedures, other than " + actorName(v.By)
}

// procedureShown is one version of a procedure, with the others beside it.
type procedureShown struct {
	Name, Title   string
	Version       procedureRow
	Versions      []procedureRow
	Others        []int // versions that it can be compared with
	With          int   // the one that it is compared with; 0: none
	Lines         []changedLine
	Alike         bool
	Text          string
	Facts         []cardFact
	Cautions      []string
	Cards         []stepCard
	Faults        []console.ProcedureFault
	Adopt, Refuse bool // may be decided by whoever looks
	Withdraw      bool
	Write, Run    bool
	Why           string // where somebody who may adopt may not adopt this
}

func (s *Screens) procedure(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("procedure")
	all, ok := s.deps.Procedures.Procedure(name)
	if !ok || len(all.Versions) == 0 {
		s.sorry(w, r, http.StatusNotFound, "There is no such procedure", "See which there are under Procedures.")
		return
	}
	v, ok := versionOf(all, r.URL.Query().Get("version"))
	text, err := s.deps.Procedures.ProcedureText(name, v.Version)
	if !ok || err != nil {
		s.sorry(w, r, http.StatusNotFound, "There is no such version", "See which there are on the page of the procedure.")
		return
	}
	p := procedureShown{Name: name, Title: v.Title, Version: procedureRow{v, versionLooks[v.State], s.adopters(v)}, Text: text}
	for _, one := range all.Versions {
		p.Versions = append(p.Versions, procedureRow{one, versionLooks[one.State], ""})
		if one.Version != v.Version {
			p.Others = append(p.Others, one.Version)
		}
	}
	judged := s.deps.Procedures.JudgeProcedure(text)
	p.Faults = judged.Faults
	p.Facts, p.Cards, p.Cautions = wholeFacts(judged.Form), stepCards(s.procedureSchema(), judged.Form), texts(judged.Form["cautions"], false)
	s.mayDecide(&p, rights.From(r.Context()))
	s.compare(&p, r.URL.Query().Get("with"))
	s.show(w, r, page{Template: "procedure.html", Title: p.Title, Place: "/procedures", Data: p})
}

// versionOf gives the version that is asked for; none: the adopted one, or else the newest.
func versionOf(p console.ProcedureView, asked string) (console.ProcedureVersion, bool) {
	number, err := strconv.Atoi(asked)
	if asked == "" {
		number, err = p.Adopted, nil
		if number == 0 {
			number = p.Versions[0].Version
		}
	}
	i := slices.IndexFunc(p.Versions, func(v console.ProcedureVersion) bool { return v.Version == number })
	if err != nil || i < 0 {
		return console.ProcedureVersion{}, false
	}
	return p.Versions[i], true
}

// mayDecide says what whoever looks may do with a version. The API judges it again.
func (s *Screens) mayDecide(p *procedureShown, who rights.Who) {
	v := p.Version
	adopts, writes := who.May(rights.AdoptProcedures) == nil, who.May(rights.Procedures) == nil
	waits := v.State == record.ProcedureWritten
	p.Refuse = waits && adopts
	p.Adopt = p.Refuse && (s.onePersonAdopts() || who.Actor.ID != v.By.ID)
	p.Withdraw = writes && (waits || v.State == record.ProcedureAdopted)
	p.Write, p.Run = writes, who.May(rights.Run) == nil && v.State == record.ProcedureAdopted
	if p.Refuse && !p.Adopt {
		p.Why = "You wrote this version: somebody else adopts it."
	}
}

// compare puts the lines of another version beside those of this one, the older first.
func (s *Screens) compare(p *procedureShown, with string) {
	other, err := strconv.Atoi(with)
	if err != nil || !slices.Contains(p.Others, other) {
		return
	}
	text, err := s.deps.Procedures.ProcedureText(p.Name, other)
	if err != nil {
		return
	}
	before, after := text, p.Text
	if other > p.Version.Version {
		before, after = after, before
	}
	p.With, p.Lines = other, changedLines(before, after)
	p.Alike = before == after
}

// Older and Newer are the two versions that are compared.
func (p procedureShown) Older() int { return min(p.With, p.Version.Version) }

// Newer is the later one.
func (p procedureShown) Newer() int { return max(p.With, p.Version.Version) }

// cardFact is something said of a procedure or a step: what it is, and what is said.
type cardFact struct{ Label, Says string }

// wholeFacts say what a procedure says outside its steps, in words.
func wholeFacts(form map[string]any) (facts []cardFact) {
	add := func(label, says string) {
		if says != "" {
			facts = append(facts, cardFact{label, says})
		}
	}
	add("Follows", plainText(form["source"], false))
	about := aboutWords[plainText(form["about"], false)]
	if most := plainText(form["most"], false); most != "" && most != "1" {
		about += ", at most " + most
	}
	add("A run is about", about)
	for _, one := range objects(form["parameters"]) {
		says := []string{plainText(one["name"], false), pickLabel("kind", plainText(one["kind"], false))}
		if unit := plainText(one["unit"], false); unit != "" && unit != "1" {
			says = append(says, "in "+unit)
		}
		says = append(says, limitWords(one["limits"])...)
		if usual := plainText(one["default"], false); usual != "" {
			says = append(says, "left out: "+usual)
		}
		add("Parameter: "+orElse(one["label"], one["name"]).(string), strings.Join(says, ", "))
	}
	balances, _ := form["balances"].(map[string]any)
	for _, name := range slices.Sorted(maps.Keys(balances)) {
		of, _ := balances[name].(map[string]any)
		var says []string
		for _, key := range []string{"readability", "capacity", "other_than"} {
			if v := plainText(of[key], false); v != "" {
				says = append(says, strings.ToLower(cardLabel("balances", key))+" "+v)
			}
		}
		add("Balance: "+name, cmp.Or(strings.Join(says, ", "), "any"))
	}
	add("Results", strings.Join(texts(form["results"], false), ", "))
	if form["abandon_needs_reviewer"] == true {
		add("Abandoning", "by a reviewer only, once something was weighed")
	}
	add("Review", reviewWords(form["review"]))
	return facts
}

// reviewWords say who approves a run.
func reviewWords(v any) string {
	o, _ := v.(map[string]any)
	words := "one person reviews and approves it"
	if plainText(o["approvals"], false) == "2" {
		words = "one person reviews it, and another approves it"
	}
	if o["same_person"] == true {
		return words + "; whoever performed it may review it"
	}
	return words + "; nobody who performed it"
}

// objects are the mappings of a list.
func objects(v any) (list []map[string]any) {
	all, _ := v.([]any)
	for _, one := range all {
		o, _ := one.(map[string]any)
		list = append(list, o)
	}
	return list
}

// limitWords say what limits hold.
func limitWords(v any) (says []string) {
	o, _ := v.(map[string]any)
	for _, key := range []string{"at_least", "at_most", "warn_below", "warn_above", "matches", "from"} {
		if one := plainText(o[key], false); one != "" {
			says = append(says, strings.ToLower(cardLabel("limits", key))+" "+one)
		}
	}
	return says
}

// stepCard is a step as it is read, and not changed.
type stepCard struct {
	Number           int
	Name, Does, Says string
	Label            string
	Facts            []cardFact
	Block            string // what the block is that begins here
	In, Last         bool   // it belongs to a block, and is its last
}

// stepCards are the steps in their order. Blocks begin and end where the block of the step before and after is another.
func stepCards(schema *node, form map[string]any) (cards []stepCard) {
	steps := objects(form["steps"])
	of := schema.child("steps")
	if of == nil || of.Item == nil {
		return nil
	}
	in := func(i int) string {
		if i < 0 || i >= len(steps) {
			return ""
		}
		return plainText(steps[i]["in"], false)
	}
	for i, one := range steps {
		text := func(key string) string { return plainText(one[key], false) }
		c := stepCard{Number: i + 1, Name: text("step"), Does: doWord(text("do")), Says: text("say"), Label: text("label"), In: in(i) != "", Last: in(i) != in(i+1)}
		if c.In && in(i) != in(i-1) {
			c.Block = blockWords(form, in(i))
		}
		for _, key := range arrangedCard(of.Item.Of) {
			if key.Key == "step" || key.Key == "do" || key.Key == "say" || key.Key == "label" || key.Key == "in" || one[key.Key] == nil {
				continue
			}
			says := plainText(one[key.Key], false)
			switch {
			case key.Type == "array":
				says = strings.Join(texts(one[key.Key], false), ", ")
			case key.Type == "object":
				says = strings.Join(limitWords(one[key.Key]), ", ")
			case len(key.Enum) > 0:
				says = cardPick(key.Key, says)
			}
			c.Facts = append(c.Facts, cardFact{cardLabel("steps", key.Key), says})
		}
		cards = append(cards, c)
	}
	return cards
}

// blockWords say how often the steps of a block are done.
func blockWords(form map[string]any, name string) string {
	for _, b := range objects(form["blocks"]) {
		text := func(key string) string { return plainText(b[key], false) }
		if text("name") != name {
			continue
		}
		says := "Block " + name
		switch {
		case text("over") != "":
			says += ": once for each item"
		case text("times") != "":
			says += ": " + text("times") + " times"
		}
		if while := text("more_while"); while != "" {
			says += fmt.Sprintf("; %s more while %s, up to %s", text("more"), while, text("most"))
		}
		return says
	}
	return "Block " + name
}
