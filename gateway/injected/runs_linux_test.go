package injected

import (
	"encoding/json"
	"net/url"
	"strings"

	"weighpost/gateway/console"
)

// hostileProcedure has markup wherever a text can stand.
const hostileProcedure = `procedure: hostile
title: MARKUP
source: MARKUP
cautions: [MARKUP]
about: both
most: 40
parameters:
- {name: least, label: MARKUP, kind: quantity, unit: g, default: 0 g, limits: {at_least: 0 g, from: MARKUP}}
- {name: way, label: MARKUP, kind: choice, choices: [MARKUP, by hand], default: by hand}
steps:
- {step: ready, do: instruct, say: MARKUP}
- {step: colour, do: ask, kind: text, say: MARKUP, label: MARKUP, limits: {from: MARKUP}}
results: [colour]
`

// runs has runs and requests of a procedure whose texts are markup, under each id that a sample can have: one goes on, one has ended, one was abandoned.
func (l *lab) runs(all []string) (pages []string) {
	l.t.Helper()
	const markup = `<img src=x onerror="document.title='owned'"><b>LOT</b>`
	text, _ := json.Marshal(markup)
	source := strings.ReplaceAll(hostileProcedure, "MARKUP", string(text))
	l.ask(200, "POST", "procedures", map[string]string{"text": source, "reason": markup, "by": "ada"})
	l.ask(200, "POST", "procedures/hostile/versions/1/decide", map[string]string{"change": "adopted", "reason": markup, "by": "ben"})
	var items []map[string]string
	for _, id := range all {
		if len(items) < 40 && len(id) <= 128 {
			items = append(items, map[string]string{"sample": id, "lot": id})
		}
	}
	begin := func() (id string) {
		_, answer := l.ask(200, "POST", "runs", map[string]any{"procedure": "hostile", "items": items, "parameters": map[string]string{"way": markup}, "by": markup})
		id = field(l.t, answer, "id")
		pages = append(pages, "/runs/"+url.PathEscape(id), "/runs/"+url.PathEscape(id)+"/record", "/runs/"+url.PathEscape(id)+"/review", "/runs/"+url.PathEscape(id)+"/reread")
		return id
	}
	open, ended, given := begin(), begin(), begin()
	act := func(run string, what map[string]any) { l.ask(200, "POST", "runs/"+run+"/act", what) }
	for _, run := range []string{open, ended} {
		act(run, map[string]any{"done": true, "by": markup})
	}
	act(ended, map[string]any{"answer": markup, "by": markup})
	act(given, map[string]any{"done": true, "by": markup})
	act(given, map[string]any{"back": markup, "by": markup})
	act(given, map[string]any{"abandon": markup, "by": markup})
	l.reviewed(ended, items[0]["sample"], markup)
	l.ask(200, "POST", "requests", map[string]any{"id": markup, "procedure": "hostile", "items": items[:1], "job": markup, "fields": map[string]string{"field": markup}, "from": "host"})
	return append(pages, "/runs", "/runs/new", "/runs/new?procedure=hostile", "/requests", "/reviews", "/reviews?state=all", "/statistics?by=sample")
}

// reviewed has hostile text wherever somebody says something in the review of a run: why it is returned, what was corrected and under which
// investigation, and why a report of it takes the place of another.
func (l *lab) reviewed(run, sample, text string) {
	l.t.Helper()
	var v console.ReviewView
	see := func() {
		_, answer := l.ask(200, "GET", "runs/"+run+"/review", nil)
		if err := json.Unmarshal([]byte(answer), &v); err != nil {
			l.t.Fatal(err)
		}
	}
	does := func(where string, what map[string]any) {
		see()
		what["seen"] = v.Last
		l.ask(200, "POST", "runs/"+run+"/"+where, what)
	}
	does("review", map[string]any{"act": "submit", "by": text})
	does("review", map[string]any{"act": "look", "by": "ben"})
	does("review", map[string]any{"act": "return", "reason": text, "ref": text, "by": "ben"})
	begun := field(l.t, string(v.Trail[0]), "id")
	does("corrections", map[string]any{"change": "amend", "of": begun, "field": "sample", "before": sample, "after": text, "reason": "other", "comment": text, "ref": text, "by": text})
	does("review", map[string]any{"act": "submit", "by": text})
	see()
	if c := v.Corrections; len(c) != 1 || c[0].After != text || c[0].Comment != text || c[0].Ref != text || len(v.Acts) != 3 || v.Acts[1].Reason != text || v.Acts[1].Ref != text {
		l.t.Errorf("the review is told as %+v %+v", v.Corrections, v.Acts)
	}
	_, issued := l.ask(200, "POST", "reports", map[string]any{"of": "run", "about": run, "by": text})
	_, issued = l.ask(200, "POST", "reports", map[string]any{"of": "run", "about": run, "replaces": field(l.t, issued, "report"), "why": text, "by": text})
	if got := field(l.t, issued, "why"); got != text {
		l.t.Errorf("the report says of why it was issued %q", got)
	}
}
