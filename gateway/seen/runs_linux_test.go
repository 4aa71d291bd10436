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

// runPlaces are the pages of runs.
func (l *lab) runPlaces() []place {
	open, ended, aside := l.runs()
	return []place{
		{name: "runs", path: "/runs"}, {name: "run-choose", path: "/runs/new", rare: true}, {name: "run-new", path: "/runs/new?procedure=fill-packets&balance=b-13"},
		{name: "run", path: "/runs/" + open, bare: true, then: filled}, {name: "run-aside", path: "/runs/" + aside, bare: true, rare: true}, {name: "run-ended", path: "/runs/" + ended, bare: true, rare: true},
		{name: "run-record", path: "/runs/" + ended + "/record"}, {name: "statistics", path: "/statistics?by=sample"}, {name: "bench-run", path: "/bench/b-14", bare: true},
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
