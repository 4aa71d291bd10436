package seen

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/url"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// packetText has packets of seed filled to a target, and sheafText has a mass of one seed worked out, that comes out too large.
const packetText = `procedure: fill-packets
title: Fill packets of seed to a target
source: the seed bank's own instruction 12
cautions:
- "Seeds take up water from the air: close the drawer."
- Whether the packets may be given out is for your own rules and a qualified person to say.
about: samples
most: 10
parameters: [{name: wanted, label: Net mass wanted, kind: quantity, unit: g, default: 12.5 g}]
blocks: [{name: each, over: items}]
steps:
- {step: lot, do: identify, what: sample, in: each, say: Scan the lot.}
- {step: net, do: weigh, in: each, target: wanted, tolerance: 50 mg, minimum: none, label: Net mass, say: Fill the packet., limits: {from: the instruction's own}, outside: repeat}
results: [net]
`

const sheafText = `procedure: mass-of-a-seed
title: Mass of one seed
cautions:
- Whether the result may be used is for your own rules and a qualified person to say.
about: samples
steps:
- {step: all, do: ask, kind: quantity, unit: g, label: Mass of all, say: What did all of them weigh?}
- {step: number, do: ask, kind: quantity, unit: "1", label: Number of seeds, say: How many are there?}
- {step: one, do: compute, formula: all / number, round: 0.0001 g, label: Mass of one, limits: {at_most: 0.02 g, from: the specification of the lot}, outside: reviewer}
results: [one]
`

// runs has a run wait for a weight that was too moving to be taken, another that has ended with a value outside its limits, and one that is put aside.
func (l *lab) runs() (open, ended, aside string) {
	l.t.Helper()
	for _, text := range []string{packetText, sheafText} {
		body, _ := json.Marshal(map[string]string{"text": text, "reason": "as it is done here"})
		var v console.ProcedureVersion
		l.ask("POST", "/api/v1/procedures", string(body), &v)
		if _, err := l.DecideProcedure(l.t.Context(), v.Name, v.Version, record.ProcedureAdopted, "read and found right", record.Actor{ID: "cleo", Name: "Cleo Harrow", By: record.ActorPassword}); err != nil {
			l.t.Fatal(err)
		}
	}
	begin := func(body string) string {
		var v console.RunView
		l.ask("POST", "/api/v1/runs", body, &v)
		return v.ID
	}
	act := func(run, body string) { l.ask("POST", "/api/v1/runs/"+url.PathEscape(run)+"/act", body, nil) }
	ended = begin(`{"procedure":"mass-of-a-seed","items":[{"sample":"LOT-1002","lot":"TRIF-2026-0117"}]}`)
	for _, body := range []string{`{"answer":"2.5120"}`, `{"back":"a seed fell off the pan"}`, `{"answer":"2.5134","unit":"g"}`, `{"answer":"100"}`, `{"allow":"the lot is known to be large","ref":"INV-2026-7"}`} {
		act(ended, body)
	}
	aside = begin(`{"procedure":"fill-packets","items":[{"sample":"LOT-1005"}]}`)
	open = begin(`{"procedure":"fill-packets","balance":"b-14","items":[{"sample":"LOT-1003"},{"sample":"LOT-1004"}]}`)
	act(open, `{"scan":"LOT-1003"}`)
	if _, err := io.WriteString(l.lines["b-14"], "W 9.874 g M\r\n"); err != nil {
		l.t.Fatal(err)
	}
	for limit := time.Now().Add(patience); ; time.Sleep(20 * time.Millisecond) {
		v, err := l.Run(l.t.Context(), open)
		e, err2 := l.Run(l.t.Context(), ended)
		if err == nil && err2 == nil && v.Next.Note != "" && e.State == record.RunComplete {
			return open, ended, aside
		}
		if time.Now().After(limit) {
			l.t.Fatalf("the runs are not as they should be: %+v %+v, %v %v", v.Next, e.Next, err, err2)
		}
	}
}

// ben performs the runs that are reviewed, and Ada reviews them.
var ben = record.Actor{ID: "ben", Name: "Ben Sower", Role: "operator", By: record.ActorPassword}

// reviewed is a run that Ben performed, as it is in its review.
type reviewed struct {
	l   *lab
	ctx context.Context // in which Ben acts
	saw console.ReviewView
}

// performed has Ben fill a packet of each lot, and submit the run.
func (l *lab) performed(lots ...string) *reviewed {
	l.t.Helper()
	r := &reviewed{l: l, ctx: rights.With(l.t.Context(), rights.Who{Actor: ben, Person: "ben", Known: true, Rights: rights.Defaults()[rights.Operator]})}
	weighs := func(person string) { l.ask("PUT", "/api/v1/balances/b-12/context", `{"person":`+person+`}`, nil) }
	weighs("null") // nobody is said to weigh there, so that Ben may
	defer weighs(`{"id":"ada"}`)
	var items []record.RunItem
	for _, lot := range lots {
		items = append(items, record.RunItem{Sample: lot})
	}
	items[0].Lot = "TRIF-2026-0117"
	v, err := l.BeginRun(r.ctx, console.RunOrder{Procedure: "fill-packets", Balance: "b-12", Items: items}, ben)
	for i, lot := range lots {
		if err == nil {
			v, err = l.ActOnRun(r.ctx, v.ID, console.RunAct{Scan: lot}, ben)
		}
		if err != nil {
			l.t.Fatal(err)
		}
		l.prints("b-12", fmt.Sprintf("W 12.5%d g S\r\n", i+1), len(l.weighings("b-12"))+1)
		for limit := time.Now().Add(patience); v.Next.Waiting == "weight"; time.Sleep(20 * time.Millisecond) {
			if v, err = l.Run(r.ctx, v.ID); err != nil || time.Now().After(limit) {
				l.t.Fatalf("the packet is not weighed: %+v %v", v.Next, err)
			}
		}
	}
	for r.saw.ID = v.ID; r.saw.State == "" || r.saw.State == record.RunOpen; time.Sleep(20 * time.Millisecond) {
		l.ask("GET", "/api/v1/runs/"+v.ID+"/review", "", &r.saw)
	}
	return r.submits()
}

func (r *reviewed) submits() *reviewed {
	r.l.t.Helper()
	var err error
	if r.saw, err = r.l.ActOnReview(r.ctx, r.saw.ID, console.ReviewAct{Act: record.ActSubmit, Seen: r.saw.Last}, ben); err != nil {
		r.l.t.Fatal(err)
	}
	return r
}

// posts has Ada do something in the review.
func (r *reviewed) posts(where, body string) *reviewed {
	r.l.t.Helper()
	r.l.ask("POST", "/api/v1/runs/"+r.saw.ID+"/"+where, fmt.Sprintf(`{"seen":%d,%s}`, r.saw.Last, body), &r.saw)
	return r
}

func (r *reviewed) excludes(n int, why string) *reviewed {
	r.l.t.Helper()
	return r.posts("corrections", fmt.Sprintf(`"change":"exclude","of":%q,"reason":"spilt","comment":%q`, r.saw.Run.Ended.Weighings[n].ID, why))
}

func (r *reviewed) signs() *reviewed {
	r.l.t.Helper()
	var s console.Statement
	r.l.ask("GET", "/api/v1/runs/"+r.saw.ID+"/statement?meaning=reviewed", "", &s)
	return r.posts("review", fmt.Sprintf(`"act":"approve","signing":{"id":"ada","secret":%q,"statement_sha256":%q}`, adasSecret, s.SHA256))
}

// path is that of a page about the run.
func (r *reviewed) path(page string) string { return "/runs/" + r.saw.ID + "/" + page }

// reviewPlaces are the pages of reviews: of a run that waits for a signature, having been returned once, of one that is returned, one that is signed,
// and one that was and needs review again; and what layouts make of a frame.
func (l *lab) reviewPlaces() []place {
	l.t.Helper()
	waits := l.performed("LOT-1003", "LOT-1006").posts("review", `"act":"look"`).excludes(1, "seed lay beside the packet").
		posts("review", `"act":"return","reason":"say what becomes of the packet of LOT-1006"`).submits()
	returned := l.performed("LOT-1003").posts("review", `"act":"return","reason":"the drawer was open: say for how long"`)
	signed, again := l.performed("LOT-1003").signs(), l.performed("LOT-1003").signs().excludes(0, "found beside the packet after it was signed")
	if states := []string{waits.saw.State, returned.saw.State, signed.saw.State, again.saw.State}; !slices.Equal(states, []string{record.RunInReview, record.RunReturned, record.RunApproved, record.RunReviewAgain}) {
		l.t.Fatalf("the runs are %q", states)
	}
	return []place{{name: "run-review", path: waits.path("review")}, {name: "run-returned", path: returned.path("review"), rare: true}, {name: "run-signed", path: signed.path("review"), rare: true},
		{name: "run-review-again", path: again.path("review")}, {name: "reread", path: waits.path("reread?of=" + url.QueryEscape(waits.saw.Run.Ended.Weighings[0].ID))}, {name: "reviews", path: "/reviews"}}
}

// runPlaces are the pages of runs.
func (l *lab) runPlaces() []place {
	open, ended, aside := l.runs()
	return append(l.reviewPlaces(), []place{
		{name: "runs", path: "/runs"}, {name: "run-choose", path: "/runs/new", rare: true}, {name: "run-new", path: "/runs/new?procedure=fill-packets&balance=b-13"},
		{name: "run", path: "/runs/" + open, bare: true, then: filled}, {name: "run-aside", path: "/runs/" + aside, bare: true, rare: true}, {name: "run-ended", path: "/runs/" + ended, bare: true, rare: true},
		{name: "run-record", path: "/runs/" + ended + "/record"}, {name: "statistics", path: "/statistics?by=sample"}, {name: "bench-run", path: "/bench/b-14", bare: true},
	}...)
}

// filled has seeds poured while the page is open.
func filled(e *eyes) {
	e.T.Helper()
	for limit := time.Now().Add(patience); !strings.Contains(e.Text(`document.getElementById("aim")?.textContent ?? ""`), "too little"); time.Sleep(50 * time.Millisecond) {
		if _, err := io.WriteString(e.l.lines["b-14"], fmt.Sprintf("W 9.87%d g M\r\n", time.Now().UnixMilli()%10)); err != nil || time.Now().After(limit) {
			e.T.Fatalf("the page never says that there is too little: %v", err)
		}
	}
}
