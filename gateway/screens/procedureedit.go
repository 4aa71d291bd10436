package screens

import (
	"net/http"
	"regexp"
	"slices"
	"strings"

	"weighpost/gateway/console"
)

// cardField is one key of a procedure as the form has it. The script writes into it and reads it.
type cardField struct {
	Leaf          string // path within the card: limits.at_least; "": the item itself
	Label, About  string
	Type          string // text, long, number, tick, lines, pick
	Options       []cardOption
	Choices       string // blocks, steps, balances, values: it is one of those of the procedure
	Formula       bool   // the names that are known are offered
	For           string // the kinds of step that have it, with blanks between; "": all
	Shown         string // an example
	Seldom, Guard bool
}

type cardOption struct{ Value, Label, For string }

// procedureSheet is the form of a procedure.
type procedureSheet struct {
	Name    string // "": a new one
	Version int    // which the form began with
	Text    string
	Form    map[string]any
	Begun   string // what a new one began with
	Kinds   []stepKind
	Whole   []cardField
	Step    []cardField
	Lists   []cardList
}

// cardList is a table of the form: parameters, balances, blocks, results.
type cardList struct {
	Key, Title, About, One string
	Map                    bool
	Fields                 []cardField
}

// Guarded says whether there are limits among the fields.
func (l cardList) Guarded() bool {
	return slices.ContainsFunc(l.Fields, func(f cardField) bool { return f.Guard })
}

// procedureSchema are the keys of a procedure.
func (s *Screens) procedureSchema() *node { return readSchema(s.deps.ProcedureSchema) }

func (s *Screens) newProcedure(w http.ResponseWriter, r *http.Request) {
	f := procedureSheet{Text: ""}
	if from := r.URL.Query().Get("from"); from != "" {
		ready := s.deps.Procedures.ReadyProcedures()
		i := slices.IndexFunc(ready, func(one console.ReadyProcedure) bool { return one.Name == from })
		if i < 0 {
			s.sorry(w, r, http.StatusNotFound, "There is no such ready procedure", "See which there are under Procedures.")
			return
		}
		f.Text, f.Begun = ready[i].Text, ready[i].Title
	}
	s.showForm(w, r, "Write a procedure", f)
}

func (s *Screens) editProcedure(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("procedure")
	all, ok := s.deps.Procedures.Procedure(name)
	if !ok || len(all.Versions) == 0 {
		s.sorry(w, r, http.StatusNotFound, "There is no such procedure", "See which there are under Procedures.")
		return
	}
	asked := r.URL.Query().Get("version")
	v, ok := all.Versions[0], true // a change begins with what was written last
	if asked != "" {
		v, ok = versionOf(all, asked)
	}
	text, err := s.deps.Procedures.ProcedureText(name, v.Version)
	if !ok || err != nil {
		s.sorry(w, r, http.StatusNotFound, "There is no such version", "See which there are on the page of the procedure.")
		return
	}
	s.showForm(w, r, "Change "+v.Title, procedureSheet{Name: name, Version: v.Version, Text: text})
}

func (s *Screens) showForm(w http.ResponseWriter, r *http.Request, title string, f procedureSheet) {
	f.Form = map[string]any{}
	if f.Text != "" {
		f.Form = s.deps.Procedures.JudgeProcedure(f.Text).Form
	}
	schema := s.procedureSchema()
	f.Kinds = stepKinds
	f.Step, f.Whole = stepFields(schema), wholeFields(schema)
	f.Lists = cardLists(schema)
	s.show(w, r, page{Template: "procedure-edit.html", Title: title, Place: "/procedures", Scripts: []string{"procedure.js"}, Data: f})
}

// inTables are the keys of a procedure that have a place of their own in the form.
var inTables = []string{"parameters", "balances", "blocks", "steps", "results"}

func wholeFields(schema *node) (list []cardField) {
	for _, n := range schema.Of {
		if !slices.Contains(inTables, n.Key) {
			list = append(list, fieldsOfCard("", "", n)...)
		}
	}
	return list
}

func stepFields(schema *node) (list []cardField) {
	if steps := schema.child("steps"); steps != nil && steps.Item != nil {
		for _, n := range arrangedCard(steps.Item.Of) {
			list = append(list, fieldsOfCard("steps", "", n)...)
		}
	}
	return list
}

// cardLists are the tables beside the steps, each in the order in which a procedure is thought up.
func cardLists(schema *node) (list []cardList) {
	for _, l := range []cardList{{Key: "parameters", Title: "Parameters", One: "parameter"}, {Key: "balances", Title: "Balances", One: "balance", Map: true},
		{Key: "blocks", Title: "Blocks", One: "block"}, {Key: "results", Title: "Results", One: "result"}} {
		n := schema.child(l.Key)
		if n == nil || n.Item == nil {
			continue
		}
		l.About = n.About
		if len(n.Item.Of) == 0 {
			l.Fields = []cardField{{Label: "Value", Type: "text", Choices: cardChoices[l.Key+"."]}}
		}
		for _, key := range n.Item.Of {
			l.Fields = append(l.Fields, fieldsOfCard(l.Key, "", key)...)
		}
		list = append(list, l)
	}
	return list
}

// forKinds is what the description of a key begins with where the key is for some kinds of step only.
var forKinds = regexp.MustCompile(`^[a-z]+(, [a-z]+)*: `)

// fieldsOfCard are the fields of one key: one, or those of the limits.
func fieldsOfCard(of, within string, n *node) (list []cardField) {
	leaf := strings.TrimPrefix(within+"."+n.Key, ".")
	if n.Type == "object" {
		for _, c := range n.Of {
			for _, f := range fieldsOfCard(of, leaf, c) {
				f.For, f.Guard = strings.Join(n.For, " "), true
				list = append(list, f)
			}
		}
		return list
	}
	group := of
	if within != "" {
		group = within
	}
	f := cardField{Leaf: leaf, Label: cardLabel(group, n.Key), About: n.About, Type: "text", For: strings.Join(n.For, " "), Choices: cardChoices[of+"."+leaf], Shown: cardShown[of+"."+leaf],
		Formula: slices.Contains(cardFormulas, of+"."+leaf), Seldom: of == "steps" && within == "" && slices.Contains(seldom, n.Key), Guard: of == "steps" && within == "" && slices.Contains(guarded, n.Key)}
	if kinds := forKinds.FindString(n.About); len(n.For) == 1 || strings.Contains(kinds, ",") { // the card itself says what it is for
		f.About = capital(strings.TrimPrefix(n.About, kinds))
	}
	switch {
	case n.Type == "array":
		f.Type, f.About = "lines", f.About+" One a line."
	case len(n.Enum) > 0:
		f.Type, f.Options = "pick", cardOptions(n)
	case n.Type == "boolean":
		f.Type = "tick"
	case n.Type == "integer":
		f.Type = "number"
	case n.Key == "say" || n.Key == "formula" || n.Key == "source":
		f.Type = "long"
	}
	return []cardField{f}
}

// cardOptions are the words of a choice, and that nothing is said.
func cardOptions(n *node) []cardOption {
	left := "not said"
	if n.Default != nil {
		left = "as usual: " + cardPick(n.Key, plainText(n.Default, false))
	}
	list := []cardOption{{"", left, ""}}
	if n.Key == "do" {
		list = nil
		for _, k := range stepKinds {
			list = append(list, cardOption{k.Do, k.Word, ""})
		}
		return list
	}
	for _, e := range n.Enum {
		list = append(list, cardOption{e, cardPick(n.Key, e), picksFor[e]})
	}
	return list
}
