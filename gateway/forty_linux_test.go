package gateway_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

const overDays = `procedure: dry-mass
title: Dry mass in crucibles
source: "in the manner of ISO 638-1, dried in the oven and cooled in the desiccator"
about: containers
most: 40
balances: {first: {readability: 0.001 g}, second: {readability: 0.001 g, other_than: first}}
blocks: [{name: tares, over: items}, {name: backs, over: items}]
steps:
- {step: crucible, do: identify, what: container, in: tares}
- {step: tare, do: empty, in: tares, on: first}
- {step: dry, do: instruct, say: Dry over night.}
- {step: again, do: identify, what: container, in: backs}
- {step: gross, do: weigh, in: backs, on: second, minimum: none, limits: {from: none is set}}
- {step: net, do: compute, in: backs, formula: gross - tare, unit: g, round: 0.001 g, limits: {from: none is set}}
results: [net]
`

// crucibles is a lab with two balances, a procedure over two days, and forty crucibles in the register.
type crucibles struct {
	*house
	run, text string          // configuration
	heard     map[string]bool // the ports at which something was printed
	t         *testing.T
}

func newCrucibles(t *testing.T) *crucibles {
	t.Helper()
	c := &crucibles{house: newHouse(t, "port-1", "port-2"), heard: map[string]bool{}, t: t, text: `site: seed-bank
journal: {folder: journal, space: ` + anyDisk + `}
page: {listen: "127.0.0.1:0"}
balances:
- {id: b-1, port: {address: DIR/port-1, speed: 115200}, layout: as.yaml, readability: 0.001 g, capacity: 100 g}
- {id: b-2, port: {address: DIR/port-2, speed: 115200}, layout: as.yaml, readability: 0.001 g, capacity: 100 g}
`}
	c.start(t, c.text)
	c.up(t)
	t.Cleanup(http.DefaultClient.CloseIdleConnections)
	text, err := json.Marshal(overDays)
	if err != nil {
		t.Fatal(err)
	}
	c.ask(t, "POST", "procedures", `{"text": `+string(text)+`, "reason": "needed", "by": "ben"}`, 200, nil)
	c.ask(t, "POST", "procedures/dry-mass/versions/1/decide", `{"change": "adopted", "reason": "read", "by": "cho"}`, 200, nil)
	return c
}

func cr(i int) string { return fmt.Sprintf("cr-%02d", i) }

// act does something to the run in the name of somebody, and gives the run as it is then.
func (c *crucibles) act(by, what string, want int) (v console.RunView, answer string) {
	c.t.Helper()
	answer = c.ask(c.t, "POST", "runs/"+c.run+"/act", `{`+what+`, "by": "`+by+`"}`, want, nil)
	if want == 200 {
		if err := json.Unmarshal([]byte(answer), &v); err != nil {
			c.t.Fatal(err)
		}
	}
	return v, answer
}

// stopped scans what is a mistake: it is an entry with a sentence, and what the run waits for stays.
func (c *crucibles) stopped(by, id, why string) {
	c.t.Helper()
	v, _ := c.act(by, `"scan": "`+id+`"`, 200)
	last := v.Steps[len(v.Steps)-1]
	if last.Became != record.StepStopped || !strings.Contains(last.Why, why) || last.Counts || v.Next.Waiting != "scan" || !strings.Contains(v.Next.Note, why) {
		c.t.Errorf("%s, %s: %+v, next %+v", id, why, last.RunStep, v.Next)
	}
}

// weighed scans a crucible, and has the balance print.
func (c *crucibles) weighed(by, id, port string, mg int) {
	c.t.Helper()
	if v, _ := c.act(by, `"scan": "`+id+`"`, 200); v.Next.Waiting != "weight" {
		c.t.Fatalf("%s: %+v", id, v.Next)
	}
	if !c.heard[port] {
		time.Sleep(60 * time.Millisecond) // the silence that shows that a frame begins; later frames begin where one ended
		c.heard[port] = true
	}
	if _, err := c.cords[port].Write(line(mg)); err != nil {
		c.t.Fatal(err)
	}
	until(c.t, func() bool { v, err := c.Run(c.t.Context(), c.run); return err == nil && v.Next.Waiting != "weight" }, id+" was weighed, and the run does not know")
}

// TestFortyCruciblesOverTwoDaysAndTwoBalances: tared on one balance by one person, put aside, and, after a restart, weighed back on another by
// another person. A wrong, a repeated, a withdrawn, an expired and a missing crucible, and one of another run, are each stopped with a sentence.
func TestFortyCruciblesOverTwoDaysAndTwoBalances(t *testing.T) {
	t.Parallel()
	c := newCrucibles(t)
	c.registerForty()
	c.firstDay()
	c.stop(t)
	c.start(t, c.text)
	c.up(t)
	c.secondDay()
	c.endsWell()
	c.stop(t)
}

func (c *crucibles) registerForty() {
	var list []string
	for i := range 40 {
		list = append(list, `{"id": "`+cr(i+1)+`"}`)
	}
	body := `{"containers": [` + strings.Join(list, ", ") + `], "sort": "crucible", "lot": "2026-11", "by": "ada"}`
	for range 2 { // a request that comes again changes nothing
		c.ask(c.t, "POST", "containers", body, 200, nil)
	}
	c.ask(c.t, "POST", "containers", `{"containers": [{"id": "cr-98"}, {"id": "cr-99"}], "sort": "crucible", "by": "ada"}`, 200, nil)
	if n := len(all[record.ContainerChanged](c.t, c.house, record.KindContainerChanged)); n != 42 {
		c.t.Errorf("%d entries of 42 crucibles", n)
	}
}

func (c *crucibles) firstDay() {
	t := c.t
	var items []string
	for i := range 40 {
		items = append(items, `{"container": "`+cr(i+1)+`"}`)
	}
	var v console.RunView
	c.ask(t, "POST", "runs", `{"procedure": "dry-mass", "balance": "b-1", "items": [`+strings.Join(items, ", ")+`], "by": "ada"}`, 200, &v)
	c.run = v.ID
	if k, _ := c.Container("cr-07"); k.InRun != c.run || !strings.Contains(k.Unfit, "is in the run "+c.run) {
		t.Errorf("%+v", k)
	}
	if said := c.ask(t, "POST", "runs", `{"procedure": "dry-mass", "balance": "b-2", "items": [{"container": "cr-07"}], "by": "ada"}`, 409, nil); !strings.Contains(said, "The container cr-07 is in the run "+c.run) {
		t.Error(said)
	}
	for i := range 40 {
		c.weighed("ada", cr(40-i), "port-1", 20_000+40-i) // in any order
		if i == 20 {
			c.stopped("ada", "cr-99", "is none of this run")
			c.stopped("ada", "cr-40", "is done already")
			if v, err := c.Run(t.Context(), c.run); err != nil || len(v.Next.Left) != 19 {
				t.Errorf("%d crucibles are left, %v", len(v.Next.Left), err)
			}
		}
	}
	if v, _ := c.act("ada", `"done": true`, 200); v.Next.Waiting != "scan" {
		t.Errorf("dried: %+v", v.Next)
	}
	if v, _ := c.act("ada", `"aside": true`, 200); !v.Aside {
		t.Error("the run is not put aside")
	}
}

func (c *crucibles) secondDay() {
	t := c.t
	c.ask(t, "POST", "containers/cr-07/withdraw", `{"reason": "cracked", "by": "ben"}`, 200, nil)
	c.ask(t, "POST", "containers", `{"containers": [{"id": "cr-08"}], "sort": "crucible", "lot": "2026-11", "expires": "2026-01-01T00:00:00Z", "reason": "the glaze is worn", "by": "ben"}`, 200, nil)
	var other console.RunView
	c.ask(t, "POST", "runs", `{"procedure": "dry-mass", "items": [{"container": "cr-98"}], "by": "dan"}`, 200, &other)
	if _, said := c.act("ben", `"at": "b-2"`, 409); !strings.Contains(said, "take it over first") {
		t.Error(said)
	}
	c.act("ben", `"over": true`, 200)
	c.act("ben", `"at": "b-2"`, 200)
	for i := 1; i <= 39; i++ {
		switch i {
		case 7:
			c.stopped("ben", "cr-07", "was withdrawn")
			continue
		case 8:
			c.stopped("ben", "cr-08", "expired")
			continue
		case 20:
			c.stopped("ben", "cr-98", "is none of this run")
			c.stopped("ben", "cr-01", "is done already")
			c.stopped("ben", "nobody-knows", "is none of this run")
		}
		c.weighed("ben", cr(i), "port-2", 25_000+3*i)
	}
	v, err := c.Run(t.Context(), c.run)
	if err != nil || v.State != record.RunOpen || len(v.Next.Left) != 3 {
		t.Fatalf("%s, left %+v, %v", v.State, v.Next.Left, err)
	}
	c.act("ben", `"leave": "cr-07 is cracked, cr-08 worn, cr-40 broke in the oven"`, 200)
	c.ask(t, "POST", "runs/"+other.ID+"/act", `{"abandon": "not needed", "by": "dan"}`, 200, nil)
}

// endsWell holds the results against the whole milligrams that were printed, and the register against what was weighed.
func (c *crucibles) endsWell() {
	t := c.t
	until(t, func() bool { v, err := c.Run(t.Context(), c.run); return err == nil && v.State == record.RunComplete }, "the run does not end")
	v, err := c.Run(t.Context(), c.run)
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]string{}
	for _, r := range v.Results {
		if r.Digits != "" {
			found[r.Item.Container] = r.Digits + " " + r.Unit
		}
	}
	for i := 1; i <= 40; i++ {
		mg := 25_000 + 3*i - (20_000 + i)
		want := fmt.Sprintf("%d.%03d g", mg/1000, mg%1000)
		if i == 7 || i == 8 || i == 40 {
			want = ""
		}
		if found[cr(i)] != want {
			t.Errorf("%s: %q, not %q", cr(i), found[cr(i)], want)
		}
		k, _ := c.Container(cr(i))
		empty := fmt.Sprintf("20.%03d", i)
		if len(k.Empty) != 1 || k.Empty[0].Digits != empty || k.Empty[0].Balance != "b-1" || k.Empty[0].Run != c.run || len(k.Usages) != 1 || k.InRun != "" {
			t.Errorf("%+v", k)
		}
	}
	ended := v.Ended
	if !slices.Equal(ended.Balances, []string{"b-1", "b-2"}) || !slices.Contains(ended.People, "ada") || !slices.Contains(ended.People, "ben") || len(ended.Weighings) != 77 {
		t.Errorf("%v %v, %d weighings", ended.Balances, ended.People, len(ended.Weighings))
	}
	t.Logf("%d entries of steps, %d weighings that results rest on, %d results", len(ended.Steps), len(ended.Weighings), len(found))
}
