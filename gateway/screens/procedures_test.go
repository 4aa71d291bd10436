package screens

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"path"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"weighpost/configs"
	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/parsers/strict"
)

// writtenOnes are procedures that a test keeps; they are judged as the daemon judges them.
type writtenOnes struct {
	views []console.ProcedureView
	texts map[string]string // by name and version
}

func (w *writtenOnes) Procedures() []console.ProcedureView { return w.views }
func (w *writtenOnes) Procedure(name string) (console.ProcedureView, bool) {
	i := slices.IndexFunc(w.views, func(v console.ProcedureView) bool { return v.Name == name })
	if i < 0 {
		return console.ProcedureView{}, false
	}
	return w.views[i], true
}
func (w *writtenOnes) ProcedureText(name string, version int) (string, error) {
	text, ok := w.texts[fmt.Sprint(name, version)]
	if !ok {
		return "", record.ErrNoProcedure
	}
	return text, nil
}
func (w *writtenOnes) JudgeProcedure(text string) console.ProcedureJudged {
	def, err := procedure.Parse("procedure", []byte(text))
	j := console.ProcedureJudged{Faults: []console.ProcedureFault{}, Text: text, Form: procedure.Form(def)}
	var faults strict.Faults
	if errors.As(err, &faults) {
		for _, f := range faults {
			j.Faults = append(j.Faults, console.ProcedureFault{Line: f.Line, Column: f.Column, Where: f.Path, What: f.What, Allowed: f.Allowed})
		}
	}
	return j
}
func (w *writtenOnes) WriteProcedure(context.Context, string, string, record.Actor) (console.ProcedureVersion, error) {
	return console.ProcedureVersion{}, errors.New("a page changes nothing")
}
func (w *writtenOnes) DecideProcedure(context.Context, string, int, string, string, record.Actor) (console.ProcedureVersion, error) {
	return console.ProcedureVersion{}, errors.New("a page changes nothing")
}
func (w *writtenOnes) ReadyProcedures() (list []console.ReadyProcedure) {
	files, _ := configs.Procedures.ReadDir("procedures")
	for _, f := range files {
		text, _ := configs.Procedures.ReadFile(path.Join("procedures", f.Name()))
		if def, err := procedure.Parse(f.Name(), text); err == nil {
			list = append(list, console.ReadyProcedure{Name: def.Name, Title: def.Title, Source: def.Source, Text: string(text)})
		}
	}
	return list
}

const drying = `procedure: drying
title: "Drying of seeds <b>x</b>"
source: "Our own <script>alert(1)</script>"
cautions: ["The oven is <i>hot</i>."]
about: samples
most: 5
parameters:
- {name: allowed, label: What is allowed, unit: "%", default: 8 %, limits: {at_most: 20 %}}
balances:
  first: {}
  second: {other_than: first}
blocks:
- {name: each, over: items}
steps:
- {step: lot, do: identify, what: sample, in: each, say: "Scan the lot <b>now</b>."}
- {step: wet, do: weigh, in: each, on: first, say: Weigh it.}
- {step: drying, do: wait, for: 17h}
- {step: dry_lot, do: identify, what: sample, in: again, say: Scan the lot again.}
- {step: dry, do: weigh, in: again, on: second}
- {step: loss, do: compute, in: again, formula: (wet - dry) / wet, unit: "%", round: 0.1 %, limits: {at_most: allowed, from: our own}}
results: [loss]
`

func dryingTexts() (first, second string) {
	first = strings.Replace(drying, "- {name: each, over: items}", "- {name: each, over: items}\n- {name: again, over: items}", 1)
	return first, strings.Replace(strings.Replace(first, "for: 17h", "for: 16h", 1), "results:", "abandon_needs_reviewer: true\nresults:", 1)
}

func newProcedures(t *testing.T, doc map[string]any) (*lab, *writtenOnes) {
	t.Helper()
	first, second := dryingTexts()
	bo, when := record.Actor{ID: "bo", Name: "Bo <b>Reed</b>", By: record.ActorPassword}, day(29)
	version := func(n int, title, state string, by record.Actor) console.ProcedureVersion {
		return console.ProcedureVersion{ProcedureRef: record.ProcedureRef{Name: "drying", Version: n, Hash: "sha256:3f1c"}, Title: title, State: state, Written: when, By: by, Reason: "new oven " + hostileSetting}
	}
	w := &writtenOnes{texts: map[string]string{"drying1": first, "drying2": second, "old1": first}}
	adopted := version(1, "Drying", "adopted", record.Actor{ID: "ada", Name: "Ada Quill"})
	adopted.Decided, adopted.Decider, adopted.WhyTaken = &when, &bo, "held against the method "+hostileSetting
	w.views = []console.ProcedureView{{Name: "drying", Title: "Drying", Adopted: 1, Versions: []console.ProcedureVersion{version(2, "Drying "+hostileSetting, "written", record.Actor{ID: "ada", Name: "Ada Quill"}), adopted}},
		{Name: "old", Title: "Old", Versions: []console.ProcedureVersion{{ProcedureRef: record.ProcedureRef{Name: "old", Version: 1}, Title: "Old", State: "withdrawn", Written: when, By: bo}}}}
	return newLab(t, Deps{Procedures: w, ProcedureSchema: config.ProcedureSchema(), Settings: &shelf{doc: doc}}), w
}

func writer() rights.Who {
	who := as(rights.Operator)
	who.Rights = rights.Of(rights.See, rights.Procedures, rights.AdoptProcedures, rights.Run)
	return who
}

func holds(t *testing.T, what, body string, wanted, unwanted []string) {
	t.Helper()
	for _, w := range wanted {
		if !strings.Contains(body, w) {
			t.Errorf("%s has no %q", what, w)
		}
	}
	for _, w := range unwanted {
		if strings.Contains(body, w) {
			t.Errorf("%s has %q", what, w)
		}
	}
}

// TestProceduresAreListedByWhatCanBeDone: runs begin with the adopted; who may adopt what waits; the ready ones; and what is to be done first.
func TestProceduresAreListedByWhatCanBeDone(t *testing.T) {
	l, w := newProcedures(t, nil)
	_, body := l.get(t, "/procedures", writer())
	holds(t, "the list", body, []string{"/runs/new?procedure=drying", "/procedures/drying?version=2", "other than Ada Quill", "Not in use (1)", "withdrawn", "/procedures/new?from=thousand-seed-mass"}, []string{"There is no procedure yet", "<script>alert"})
	_, body = l.get(t, "/procedures", as(""))
	holds(t, "the list of a visitor", body, []string{"Drying"}, []string{"/procedures/new", "Begin a run"})
	one, _ := newProcedures(t, map[string]any{"procedures": map[string]any{"adoption": "one-person"}})
	_, body = one.get(t, "/procedures", writer())
	holds(t, "the list where one person is enough", body, []string{"somebody who may adopt procedures</td>"}, []string{"other than"})
	w.views = nil
	_, body = l.get(t, "/procedures", writer())
	holds(t, "the empty page", body, []string{"There is no procedure yet", "Somebody else", "/procedures/new?from="}, nil)
}

// TestAVersionIsReadAndDecided: what it says as cards, the difference from another, and only those acts that whoever looks may do.
func TestAVersionIsReadAndDecided(t *testing.T) {
	l, _ := newProcedures(t, nil)
	mine, others := writer(), writer()
	others.Actor.ID, others.Person = "cy", "cy"
	for _, c := range []struct {
		what, path       string
		who              rights.Who
		wanted, unwanted []string
	}{
		{"the adopted version", "/procedures/drying", mine, []string{"Version 1", "Block each: once for each item", "17h", "Balance: first", "at most allowed", "Begin a run", `value="withdrawn"`, "drying/edit?version=1", "The oven is"}, []string{`value="adopted"`, "<i>hot", "<b>now", "<script>alert"}},
		{"one's own version", "/procedures/drying?version=2", mine, []string{"somebody else adopts it", `value="turned down"`, "16h"}, []string{`value="adopted"`, "Begin a run"}},
		{"another's version", "/procedures/drying?version=2", others, []string{`value="adopted"`, "/api/v1/procedures/drying/versions/2/decide"}, nil},
		{"a version that a visitor sees", "/procedures/drying?version=2", as(""), []string{"It waits for", "other than Ada Quill"}, []string{"/decide", "/edit"}},
		{"the difference", "/procedures/drying?version=2&with=1", mine, []string{"Difference between version 1 and version 2", "removed", "added", "for: 17h", "abandon_needs_reviewer: true", "lines alike"}, []string{"<b>x"}},
		{"the difference from the older", "/procedures/drying?version=1&with=2", mine, []string{"Difference between version 1 and version 2"}, nil},
	} {
		status, body := l.get(t, c.path, c.who)
		if status != 200 {
			t.Errorf("%s: %d", c.what, status)
		}
		holds(t, c.what, body, c.wanted, c.unwanted)
	}
	one, _ := newProcedures(t, map[string]any{"procedures": map[string]any{"adoption": "one-person"}})
	_, body := one.get(t, "/procedures/drying?version=2", mine)
	holds(t, "one's own version where one person is enough", body, []string{`value="adopted"`}, []string{"somebody else adopts it"})
	for path, want := range map[string]int{"/procedures/none": 404, "/procedures/drying?version=9": 404, "/procedures/drying?version=x": 404, "/procedures/drying?with=9": 200, "/procedures/new?from=none": 404,
		"/procedures/none/edit": 404, "/procedures/drying/edit?version=9": 404, "/procedures/drying/edit": 200, "/procedures/new": 200, "/procedures/new?from=counting-by-mass": 200, "/procedures/new?from=thousand-seed-mass": 200, "/procedures/new?from=" + url.QueryEscape(hostileSetting): 404} {
		status, body := l.get(t, path, writer())
		if status != want || strings.Contains(body, "<script>alert") {
			t.Errorf("%s: %d, want %d: %.200s", path, status, want, body)
		}
	}
	if status, _ := l.get(t, "/procedures/new", as(rights.Auditor)); status != 403 {
		t.Errorf("an auditor writes procedures: %d", status)
	}
}

// TestChangedLines: every line of both texts is there, with its number, and only what differs is marked.
func TestChangedLines(t *testing.T) {
	far := strings.Repeat("same\n", 20)
	for _, c := range []struct{ before, after, want string }{
		{"a\nb\n", "a\nb\n", "..2"}, {"a\nb\nc", "a\nx\nc", "1=1 a|−2 b|+2 x|3=3 c"}, {"a", "b\na", "+1 b|1=2 a"}, {"x\na\nb\nc", "a\nb\nc\ny", "−1 x|2=1 a|3=2 b|4=3 c|+4 y"},
		{far + "a", far + "b", "..17|18=18 same|19=19 same|20=20 same|−21 a|+21 b"}, {"", "a", "−1 |+1 a"},
	} {
		var got []string
		for _, l := range changedLines(c.before, c.after) {
			switch {
			case l.Left > 0:
				got = append(got, fmt.Sprint("..", l.Left))
			case l.Mark == "":
				got = append(got, fmt.Sprintf("%d=%d %s", l.Before, l.After, l.Text))
			default:
				got = append(got, fmt.Sprintf("%s%d %s", l.Mark, l.Before+l.After, l.Text))
			}
		}
		if strings.Join(got, "|") != c.want {
			t.Errorf("%q to %q: %q, want %q", c.before, c.after, strings.Join(got, "|"), c.want)
		}
	}
	many := strings.Repeat("a\n", 3000)
	if got := changedLines(many+"b\n", "c\n"+strings.Repeat("d\n", 3000)); len(got) != 6002 {
		t.Errorf("two large texts that share nothing differ in %d lines", len(got))
	}
}

// TestEveryKeyIsInOneCard: whatever a procedure can say can be said in its form, in one place, and each key of a step is shown for the
// kinds that the schema names.
func TestEveryKeyIsInOneCard(t *testing.T) {
	l, _ := newProcedures(t, nil)
	_, body := l.get(t, "/procedures/new", writer())
	page, err := html.Parse(strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]int{}
	kinds := map[string]string{}
	for _, list := range []string{"parameters", "balances", "blocks", "results"} {
		root := find(page, that("data-items", list))[0]
		for _, e := range find(root, withAttr("data-leaf")) {
			leaf, _ := attr(e, "data-leaf")
			found[strings.TrimSuffix(list+"[]."+leaf, ".")]++
		}
	}
	for where, root := range map[string]string{"steps[].": "step-template", "": "whole"} {
		for _, field := range find(find(page, that("id", root))[0], withAttr("data-key")) {
			leaf, _ := attr(field, "data-key")
			found[where+leaf]++
			kinds[where+leaf], _ = attr(field, "data-for")
			if len(find(field, withAttr("data-leaf"))) != 1 {
				t.Errorf("%s has not one field", where+leaf)
			}
		}
	}
	keys := 0
	var walk func(at string, n *node, in []string)
	walk = func(at string, n *node, in []string) {
		in = slices.Concat(in, n.For)
		switch {
		case len(n.Of) > 0:
			for _, c := range n.Of {
				walk(strings.TrimPrefix(at+"."+c.Key, "."), c, in)
			}
			return
		case n.Item != nil && len(n.Item.Of) > 0, at == "results":
			walk(at+"[]", n.Item, in)
			return
		}
		keys++
		if found[at] != 1 {
			t.Errorf("%s is in the form %d times", at, found[at])
		}
		if kinds[at] != strings.Join(in, " ") {
			t.Errorf("%s is shown for %q, and is for %q", at, kinds[at], in)
		}
		delete(found, at)
	}
	walk("", readSchema(config.ProcedureSchema()), nil)
	if keys < 50 || len(found) > 0 {
		t.Errorf("the schema has %d keys, and the form has others: %v", keys, found)
	}
	for _, k := range readSchema(config.ProcedureSchema()).child("steps").Item.child("do").Enum {
		if !slices.ContainsFunc(stepKinds, func(s stepKind) bool { return s.Do == k && s.Word != "" && s.About != "" }) {
			t.Errorf("no card says what %q does", k)
		}
	}
}

func that(name, value string) func(*html.Node) bool {
	return func(n *html.Node) bool { v, _ := attr(n, name); return v == value }
}
