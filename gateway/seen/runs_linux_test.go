package seen

import (
	"encoding/json"
	"fmt"
	"io"
	"net/url"
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

// reviewed has a run that Ben performed submitted, corrected, returned and submitted again, so that it waits for a signature.
func (l *lab) reviewed() (run string) {
	l.t.Helper()
	ben := record.Actor{ID: "ben", Name: "Ben Sower", Role: "operator", By: record.ActorPassword}
	ctx := rights.With(l.t.Context(), rights.Who{Actor: ben, Person: "ben", Known: true, Rights: rights.Defaults()[rights.Operator]})
	weighs := func(person string) { l.ask("PUT", "/api/v1/balances/b-12/context", `{"person":`+person+`}`, nil) }
	weighs("null") // nobody is said to weigh there, so that Ben may
	defer weighs(`{"id":"ada"}`)
	v, err := l.BeginRun(ctx, console.RunOrder{Procedure: "fill-packets", Balance: "b-12", Items: []record.RunItem{{Sample: "LOT-1003", Lot: "TRIF-2026-0117"}, {Sample: "LOT-1006"}}}, ben)
	for _, packet := range [][2]string{{"LOT-1003", "12.51"}, {"LOT-1006", "12.48"}} {
		if err == nil {
			v, err = l.ActOnRun(ctx, v.ID, console.RunAct{Scan: packet[0]}, ben)
		}
		if err != nil {
			l.t.Fatal(err)
		}
		l.prints("b-12", "W "+packet[1]+" g S\r\n", len(l.weighings("b-12"))+1)
		for limit := time.Now().Add(patience); v.Next.Waiting == "weight"; time.Sleep(20 * time.Millisecond) {
			if v, err = l.Run(ctx, v.ID); err != nil || time.Now().After(limit) {
				l.t.Fatalf("the packet is not weighed: %+v %v", v.Next, err)
			}
		}
	}
	saw := console.ReviewView{}
	see := func() { l.ask("GET", "/api/v1/runs/"+v.ID+"/review", "", &saw) }
	post := func(where, body string) {
		l.ask("POST", "/api/v1/runs/"+v.ID+"/"+where, fmt.Sprintf(`{"seen":%d,%s}`, saw.Last, body), &saw)
	}
	submit := func() {
		if saw, err = l.ActOnReview(ctx, v.ID, console.ReviewAct{Act: record.ActSubmit, Seen: saw.Last}, ben); err != nil {
			l.t.Fatal(err)
		}
	}
	for see(); saw.State == record.RunOpen; see() {
		time.Sleep(20 * time.Millisecond)
	}
	submit()
	post("review", `"act":"look"`)
	post("corrections", fmt.Sprintf(`"change":"exclude","of":%q,"reason":"spilt","comment":"seed lay beside the packet"`, saw.Weighings[1].ID))
	post("review", `"act":"return","reason":"say what becomes of the packet of LOT-1006"`)
	submit()
	return v.ID
}

// runPlaces are the pages of runs.
func (l *lab) runPlaces() []place {
	open, ended, aside := l.runs()
	return []place{
		{name: "runs", path: "/runs"}, {name: "run-choose", path: "/runs/new", rare: true}, {name: "run-new", path: "/runs/new?procedure=fill-packets&balance=b-13"},
		{name: "run", path: "/runs/" + open, bare: true, then: filled}, {name: "run-aside", path: "/runs/" + aside, bare: true, rare: true}, {name: "run-ended", path: "/runs/" + ended, bare: true, rare: true},
		{name: "run-record", path: "/runs/" + ended + "/record"}, {name: "run-review", path: "/runs/" + l.reviewed() + "/review"}, {name: "reviews", path: "/reviews"}, {name: "statistics", path: "/statistics?by=sample"}, {name: "bench-run", path: "/bench/b-14", bare: true},
	}
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
