package leaks

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/signature"
)

const netMass = `procedure: net
title: Net mass
about: samples
most: 1
steps:
- {step: mass, do: weigh, limits: {from: none is set}}
results: [mass]
`

// tells reads an answer. It is searched later, with all that can be asked.
func (l *lab) tells(into any, path string, header ...string) {
	l.t.Helper()
	req, err := http.NewRequestWithContext(l.t.Context(), http.MethodGet, l.g.PageURL()+path, nil)
	if err != nil {
		l.t.Fatal(err)
	}
	for i := 0; i < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	resp, err := l.client.Do(req)
	if err != nil {
		l.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err == nil {
		err = json.Unmarshal(b, into)
	}
	if err != nil || resp.StatusCode != http.StatusOK {
		l.t.Fatalf("%s: %d %v %s", path, resp.StatusCode, err, b)
	}
}

// performed is a run that Bob has carried out, who is signed in at the bench.
func (l *lab) performed(host string) (run string) {
	l.t.Helper()
	l.ask(200, "POST", "api/v1/procedures", js(`{"text": %q, "reason": "needed", "by": "ben"}`, netMass), "", bearer(host)...)
	l.ask(200, "POST", "api/v1/procedures/net/versions/1/decide", `{"change": "adopted", "reason": "read", "by": "ada"}`, "", bearer(host)...)
	l.ask(200, "POST", "api/v1/runs", `{"procedure": "net", "balance": "b-1", "items": [{"sample": "LOT-1003"}], "by": "bob"}`, "", bearer(host)...)
	var all console.RunList
	l.tells(&all, "api/v1/runs", bearer(host)...)
	run = all.Runs[0].ID
	if _, err := l.cord.Write([]byte("    10.000 g\r\n")); err != nil {
		l.t.Fatal(err)
	}
	waitFor(l.t, "the end of the run", func() bool {
		var v console.RunView
		l.tells(&v, "api/v1/runs/"+run, bearer(host)...)
		return v.State == record.RunComplete
	})
	return run
}

// reviews has a run signed, with secrets right and wrong and where they do not belong, and reported and bundled: all that leaves the lab is searched,
// down to the text on paper.
func (l *lab) reviews(host string) {
	l.t.Helper()
	run := l.performed(host)
	first, own := l.knows("a reviewer's first password", "Zuerst: Binse/Segge 73"), l.knows("a reviewer's password", "Wollgras & Torf = 58?")
	l.ask(200, "POST", "api/v1/people", js(`{"id":"cleo","name":"Cleo","roles":["reviewer"],"secret":%q}`, first), "", bearer(host)...)
	_, cookie := l.ask(200, "POST", "api/v1/session", js(`{"login":"cleo","secret":%q}`, first), "")
	l.knows("a reviewer's session", cookie.Value)
	_, cookie = l.ask(200, "PUT", "api/v1/session/secret", js(`{"old":%q,"secret":%q}`, first, own), "", asPage(cookie)...)
	l.knows("a reviewer's renewed session", cookie.Value)
	page := asPage(cookie)
	wrong := l.knows("a wrong password to sign with", "Geraten: Rispe+Halm 66")
	act := func(status int, act, signing string) {
		l.t.Helper()
		var s console.Statement
		l.tells(&s, "api/v1/runs/"+run+"/statement?meaning=reviewed", page...)
		body := fmt.Sprintf(`{"act": %q, "seen": %d, "signing": %s}`, act, s.Last, strings.Replace(signing, "HASH", signature.Hash(s.Text), 1))
		l.ask(status, "POST", "api/v1/runs/"+run+"/review", body, "", page...)
	}
	var now console.ReviewView
	l.tells(&now, "api/v1/runs/"+run+"/review", bearer(host)...)
	l.ask(200, "POST", "api/v1/runs/"+run+"/review", fmt.Sprintf(`{"act": "submit", "seen": %d, "by": "bob"}`, now.Last), "", bearer(host)...)
	act(401, "approve", js(`{"id": "cleo", "secret": %q, "statement_sha256": "HASH"}`, wrong))
	act(401, "approve", js(`{"id": %q, "secret": "cleo", "statement_sha256": "HASH"}`, own))           // in the wrong field
	act(0, "approve", js(`{"id": "cleo", "secret": %q, "statement_sha256": %q}`, own, own))            // likewise
	act(0, "approve", js(`{"id": "cleo", "secret": [%q], "statement_sha256": "HASH"}`, own))           // in a body that is none
	act(0, "finish", js(`{"id": "cleo", "secret": %q, "statement_sha256": "HASH", "more": 1}`, wrong)) // for no act
	l.ask(0, "POST", "api/v1/runs/"+run+"/review/provider", js(`{"act": "approve", "seen": 1, "statement_sha256": %q}`, own), "", page...)
	l.ask(0, "POST", "api/v1/reviews/together", js(`{"runs": [{"run": "r", "seen": 1, "statement_sha256": "00"}], "signing": {"id": "cleo", "secret": %q}}`, own), "", page...)
	act(200, "approve", js(`{"id": "cleo", "secret": %q, "statement_sha256": "HASH"}`, own))
	l.leaves(host, run, page)
}

// leaves has reports issued, and bundles made.
func (l *lab) leaves(host, run string, page []string) {
	l.t.Helper()
	var now console.ReviewView
	l.tells(&now, "api/v1/runs/"+run+"/review", page...)
	l.ask(200, "POST", "api/v1/reports", js(`{"of": "run", "about": %q}`, run), "", page...)
	l.ask(200, "POST", "api/v1/reports", fmt.Sprintf(`{"of": "trail", "about": "1-%d", "by": "ada"}`, now.Last), "", bearer(host)...)
	l.ask(200, "GET", "api/v1/reports/preview?of=sample&about=LOT-1003", "", "", bearer(host)...)
	l.run = run
	for _, of := range []string{"run=" + run, "all=true"} {
		before := l.answers
		l.ask(200, "GET", "api/v1/bundle?"+of, "", "", bearer(host)...)
		texts := 0
		for where, pile := range l.hay.piles {
			if strings.HasPrefix(where, fmt.Sprintf("answer %d, ", before+1)) && (strings.HasSuffix(where, "!entries.ndjson") || strings.HasSuffix(where, "!text")) && len(pile) > 500 {
				texts++
			}
		}
		if texts < 2 { // its entries, and what the report inside says on paper
			l.t.Errorf("%s: %d of its parts are searched", of, texts)
		}
	}
}
