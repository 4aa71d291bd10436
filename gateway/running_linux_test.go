package gateway_test

import (
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
)

const netMass = `procedure: net
title: Net mass
about: samples
most: 1
steps:
- {step: which, do: identify, what: sample}
- {step: early, do: weigh, limits: {from: none is set}}
- {step: rest, do: wait, for: 1s}
- {step: later, do: weigh, limits: {from: none is set}}
- {step: net, do: compute, formula: later - early, unit: g, round: 0.001 g, limits: {at_most: 5 g, from: the lab's own}, outside: note}
results: [net]
`

func asJSON(text string) string {
	b, _ := json.Marshal(text) // of a text, it cannot fail
	return string(b)
}

const runLab = `site: seed-bank
journal: {folder: journal, space: ` + anyDisk + `}
page: {listen: "127.0.0.1:0"}
balances:
- {id: b-1, port: {address: DIR/port-1, speed: 115200}, layout: as.yaml, readability: 0.001 g, capacity: 100 g, ask: {send: "\x05"}, scanner: {rules: [{prefix: LOT-, item: sample}]}}
- {id: b-2, port: {address: DIR/port-2, speed: 115200}, layout: as.yaml, readability: 0.001 g, capacity: 100 g}
`

// runHouse is a lab with two balances, of which b-1 prints and can be asked, and a procedure that Ben wrote and Ada adopted. sinks is YAML.
func runHouse(t *testing.T, sinks string) (*house, *obedient) {
	t.Helper()
	h := newHouse(t, "port-1", "port-2")
	b := &obedient{}
	go b.serve(h.cords["port-1"])
	h.start(t, runLab+sinks)
	t.Cleanup(http.DefaultClient.CloseIdleConnections)
	var v console.ProcedureVersion
	h.ask(t, "POST", "procedures", `{"text": `+asJSON(netMass)+`, "reason": "needed", "by": "ben"}`, 200, &v)
	h.ask(t, "POST", "procedures/net/versions/1/decide", `{"change": "adopted", "reason": "mine", "by": "ben"}`, 409, nil)
	h.ask(t, "POST", "procedures/net/versions/1/decide", `{"change": "adopted", "reason": "read", "by": "ada"}`, 200, &v)
	if v.State != record.ProcedureAdopted || v.Name != "net" || v.Version != 1 {
		t.Fatalf("%+v", v)
	}
	return h, b
}

// beginRun begins a run at b-1, by Ada.
func (h *house) beginRun(t *testing.T) (run string) {
	t.Helper()
	var v console.RunView
	h.ask(t, "POST", "runs", `{"procedure": "net", "balance": "b-1", "by": "ada"}`, 200, &v)
	if v.Next.Waiting != "scan" || v.By.ID != "ada" || v.Balance != "b-1" || v.State != record.RunOpen {
		t.Fatalf("%+v", v)
	}
	return v.ID
}

// acts does something to a run.
func (h *house) acts(t *testing.T, run, act, by string, want int) (v console.RunView) {
	t.Helper()
	var there any
	if want == 200 {
		there = &v
	}
	h.ask(t, "POST", "runs/"+run+"/act", strings.TrimSuffix(act, "}")+`, "by": "`+by+`"}`, want, there)
	return v
}

// runWaits waits until a run waits for something at a step, and its balance carries it.
func (h *house) runWaits(t *testing.T, run, for_, step string) (v console.RunView) {
	t.Helper()
	var err error
	for limit := time.Now().Add(30 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		v, err = h.Run(t.Context(), run)
		if err == nil && v.Next.Waiting == for_ && v.Next.Step == step && (v.Balance == "" || h.carries(v.Balance, run)) {
			return v
		}
		if time.Now().After(limit) {
			t.Fatalf("%v: the run waits for %s at %s, want %s at %s; %+v", err, v.Next.Waiting, v.Next.Step, for_, step, v.Next)
		}
	}
}

// carries says whether the next weighing of a balance carries a run.
func (h *house) carries(balance, run string) bool {
	c, err := h.ContextOf(balance)
	for _, item := range c.Items {
		if err == nil && item.Name == record.ItemRun && item.ID == run {
			return true
		}
	}
	return false
}

// judgeRun holds a run that has ended, and its weighings, against what was weighed.
func (h *house) judgeRun(t *testing.T, run string) console.RunView {
	t.Helper()
	var v console.RunView
	until(t, func() bool {
		var err error
		v, err = h.Run(t.Context(), run)
		return err == nil && v.State == record.RunComplete
	}, "the run does not end")
	t.Logf("%s: %s %s %s after %d steps", run, v.Results[0].Digits, v.Results[0].Unit, v.Verdict, len(v.Steps))
	if v.Verdict != "passed" || len(v.Results) != 1 || v.Results[0].Digits != "2.345" || len(v.Ended.Weighings) != 2 || v.Next.Waiting != "ended" {
		t.Errorf("%+v", v)
	}
	return v
}

// TestARunGoesOnAfterEachRestart: the daemon is restarted before and after each deed, with and without what it wrote down; the port is pulled in the
// middle; another person takes over, on another balance. The weighings carry the run, the procedure, the sample and who weighed.
func TestARunGoesOnAfterEachRestart(t *testing.T) {
	t.Parallel()
	h, _ := runHouse(t, "")
	n := 0
	restart := func() {
		if n++; n%2 == 0 {
			h.again(t)
			return
		}
		h.stop(t)
		if err := os.Remove(filepath.Join(h.dir, "journal", "runs.json")); err != nil {
			t.Fatal(err)
		}
		h.anew(t)
	}
	run := h.beginRun(t)
	restart()
	h.runWaits(t, run, "scan", "which")
	h.ask(t, "POST", "balances/b-1/scan", `{"raw": "LOT-1003"}`, 200, nil) // the scan is the run's
	h.runWaits(t, run, "weight", "early")
	restart()
	h.runWaits(t, run, "weight", "early")
	if err := h.cords["port-1"].Pull(); err != nil {
		t.Fatal(err)
	}
	until(t, func() bool { return !h.Balances()[0].PortUp }, "the port is not lost")
	if v, _ := h.RunAt("b-1"); !v.Next.Unheard {
		t.Error("nobody is told that the balance cannot be heard")
	}
	if err := h.cords["port-1"].Plug(); err != nil {
		t.Fatal(err)
	}
	until(t, func() bool { return h.Balances()[0].PortUp }, "the port does not come back")
	h.runWaits(t, run, "weight", "early")
	time.Sleep(500 * time.Millisecond) // of silence
	h.prints(t, "port-1", line(9000))
	until(t, func() bool { v, _ := h.Run(t.Context(), run); return strings.Contains(v.Next.Note, "not confirmed") }, "a balance that may be another is believed")
	h.acts(t, run, `{"scan": "LOT-9"}`, "ada", 409)
	h.ask(t, "POST", "balances/b-1/scan", `{"raw": "BENCHPOSTATB-1"}`, 200, nil) // its label
	h.acts(t, run, `{"done": true}`, "ben", 409)                                 // Ada performs it
	h.acts(t, run, `{"at": "b-2"}`, "ada", 200)
	h.acts(t, run, `{"at": "b-1"}`, "ada", 200) // Ada is there again, after the port was lost
	h.runWaits(t, run, "weight", "early")
	h.prints(t, "port-1", line(10000))
	h.runWaits(t, run, "weight", "later")
	restart()
	h.runWaits(t, run, "weight", "later")
	h.acts(t, run, `{"aside": true}`, "ada", 200)
	restart()
	until(t, func() bool { return !h.carries("b-1", run) }, "the run is still at its balance")
	h.acts(t, run, `{"over": true}`, "ben", 200)
	h.acts(t, run, `{"at": "b-2"}`, "ben", 200)
	restart()
	h.runWaits(t, run, "weight", "later")
	time.Sleep(500 * time.Millisecond) // of silence: the line is heard from its beginning
	h.prints(t, "port-2", line(12345))
	v := h.judgeRun(t, run)
	restart()
	h.judgeRun(t, run)
	h.stop(t)
	counted := 0
	for _, w := range all[record.Weighing](t, h, record.KindWeighing) {
		c := w.Context
		if c.Run == nil || c.Run.ID != run || c.Method == nil || c.Method.ID != "net v1" || c.Sample == nil || c.Sample.ID != "LOT-1003" {
			t.Errorf("%s carries %+v %+v %+v", w.ID, c.Run, c.Method, c.Sample)
		}
		want := map[string]string{"10.000": "ada", "12.345": "ben"}[w.Value.Digits]
		if want != "" && (c.Person == nil || c.Person.ID != want) {
			t.Errorf("%s was weighed by %+v, want %s", w.Value.Digits, c.Person, want)
		}
		counted++
	}
	stopped := 0
	for _, s := range v.Steps {
		if s.Became == record.StepStopped {
			stopped++
		}
	}
	if counted != 3 || stopped != 1 || len(v.Ended.Balances) != 2 || len(v.Ended.People) != 2 {
		t.Errorf("%d weighings, %d stopped, balances %v, people %v", counted, stopped, v.Ended.Balances, v.Ended.People)
	}
}

// TestARunIsWorkedWithKeysAndCards: next takes the weight and repeat goes back, abandon asks first; cards do the same.
func TestARunIsWorkedWithKeysAndCards(t *testing.T) {
	t.Parallel()
	h, b := runHouse(t, "")
	run := h.beginRun(t)
	said := h.ask(t, "POST", "balances/b-1/steps/next", `{"how": "key"}`, 409, nil)
	if !strings.Contains(said, "waits for a scan") {
		t.Error(said)
	}
	h.acts(t, run, `{"scan": "LOT-1003"}`, "ada", 200)
	b.set(string(line(9000)))
	h.acts(t, run, `{"take": true}`, "ben", 409)
	h.ask(t, "POST", "balances/b-1/steps/next", `{"how": "key"}`, 200, nil)
	h.ask(t, "POST", "balances/b-1/scan", `{"raw": "BENCHPOSTREDO"}`, 200, nil)
	v := h.runWaits(t, run, "weight", "early")
	if len(v.Steps) < 3 || v.Steps[len(v.Steps)-1].Became != record.StepReplaced || v.Steps[len(v.Steps)-1].Reason != "repeated at the bench" {
		t.Errorf("%+v", v.Steps)
	}
	b.set(string(line(10000)))
	h.ask(t, "POST", "balances/b-1/scan", `{"raw": "BENCHPOSTNEXT"}`, 200, nil)
	h.runWaits(t, run, "weight", "later")
	b.set(string(line(12345)))
	v = h.acts(t, run, `{"take": true}`, "ada", 200)
	if v.State != record.RunComplete || v.Results[0].Digits != "2.345" {
		t.Errorf("%+v", v)
	}
	h.acts(t, run, `{"done": true}`, "ada", 409)
	second := h.beginRun(t)
	said = h.ask(t, "POST", "balances/b-1/scan", `{"raw": "BENCHPOSTDROP"}`, 409, nil)
	if !strings.Contains(said, "would end without results") {
		t.Error(said)
	}
	h.ask(t, "POST", "balances/b-1/scan", `{"raw": "BENCHPOSTSURE"}`, 200, nil)
	until(t, func() bool { v, _ := h.Run(t.Context(), second); return v.State == record.RunAbandoned }, "the run is not abandoned")
	until(t, func() bool { return !h.carries("b-1", second) }, "the balance still carries a run that has ended")
	h.ask(t, "GET", "balances/b-1/run", "", 404, nil)
	h.leavesWith(t, run)
	h.stop(t)
}

// TestARunDoesNotWaitForADestination: the far end is down while a run is carried out, and gets its end once it is there.
func TestARunDoesNotWaitForADestination(t *testing.T) {
	t.Parallel()
	address := needs.FreeAddress(t)
	h, _ := runHouse(t, fmt.Sprintf("sinks:\n- {id: lab, kind: http, url: %q, entries: [weighing, run-ended]}\n", "http://"+address))
	run := h.beginRun(t)
	h.acts(t, run, `{"scan": "LOT-1003"}`, "ada", 200)
	h.prints(t, "port-1", line(10000))
	h.runWaits(t, run, "weight", "later")
	h.prints(t, "port-1", line(12345))
	h.judgeRun(t, run)
	var got atomic.Int32
	far := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var one struct {
			Schema string        `json:"schema"`
			Run    record.RunRef `json:"run"`
		}
		if json.NewDecoder(r.Body).Decode(&one) == nil && one.Schema == "weighpost.run-ended/1" && one.Run.ID == run {
			got.Add(1)
		}
	}))
	l, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	far.Listener = l
	far.Start()
	defer far.Close()
	until(t, func() bool { return got.Load() > 0 }, "the end of the run does not arrive")
	h.stop(t)
}

// TestARunThatIsPulledAtFromAllSides: weighings come and are asked for, and many act at once. Each weighing is in one step, and no step is doubled.
func TestARunThatIsPulledAtFromAllSides(t *testing.T) {
	t.Parallel()
	h, b := runHouse(t, "")
	run := h.beginRun(t)
	ada, ben := record.Actor{ID: "ada", By: record.ActorHost}, record.Actor{ID: "ben", By: record.ActorHost}
	crowd := func(acts ...console.RunAct) (done int32) {
		var n atomic.Int32
		var all sync.WaitGroup
		for i := range 8 {
			all.Go(func() {
				if _, err := h.ActOnRun(t.Context(), run, acts[i%len(acts)], []record.Actor{ada, ben}[i/4]); err == nil {
					n.Add(1)
				}
			})
		}
		all.Wait()
		return n.Load()
	}
	if n := crowd(console.RunAct{Scan: "LOT-1003"}); n != 1 {
		t.Errorf("%d scans were taken", n)
	}
	b.set(string(line(10000)))
	crowd(console.RunAct{Take: true}, console.RunAct{Back: "again"})
	h.prints(t, "port-1", line(10000))
	crowd(console.RunAct{Over: true}, console.RunAct{Back: "once more"})
	b.set("")
	until(t, func() bool { return h.Balances()[0].Waiting == 0 }, "entries wait for the journal")
	if _, err := h.ActOnRun(t.Context(), run, console.RunAct{Abandon: "enough"}, ada); err != nil {
		if _, err = h.ActOnRun(t.Context(), run, console.RunAct{Abandon: "enough"}, ben); err != nil {
			t.Fatal(err)
		}
	}
	time.Sleep(100 * time.Millisecond)
	h.stop(t)
	seen := map[string]int{}
	for _, s := range all[record.RunStep](t, h, record.KindRunStep) {
		if s.Weighing != nil && s.Became != record.StepReplaced {
			seen[s.Weighing.ID]++
		}
	}
	for _, w := range all[record.Weighing](t, h, record.KindWeighing) {
		if w.Context.Run != nil && seen[w.ID] != 1 {
			t.Errorf("the weighing %s is in %d steps", w.ID, seen[w.ID])
		}
	}
	if ends := all[record.RunEnded](t, h, record.KindRunEnded); len(ends) != 1 || ends[0].State != record.RunAbandoned {
		t.Errorf("%+v", ends)
	}
}
