package console

import (
	"context"
	"net/http"
	"strings"
	"sync"
	"testing"

	"weighpost/gateway/record"
)

// runShelves have one procedure and one run, as the API asks for them.
type runShelves struct {
	mu   sync.Mutex
	acts []any
}

func (r *runShelves) did(act any) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.acts = append(r.acts, act)
}

func (r *runShelves) count() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.acts)
}

var shelvesRef = record.ProcedureRef{Name: "net", Version: 1, Hash: "sha256:00"}

func shelvesVersion() ProcedureVersion {
	at := treadleStamp.UTC
	return ProcedureVersion{ProcedureRef: shelvesRef, Title: "Net mass", State: record.ProcedureAdopted, Written: at, By: treadleBy, Decided: &at, Decider: &treadleBy}
}

func (r *runShelves) Procedures() []ProcedureView {
	v, _ := r.Procedure("net")
	return []ProcedureView{v}
}

func (r *runShelves) Procedure(name string) (ProcedureView, bool) {
	return ProcedureView{Name: name, Title: "Net mass", Adopted: 1, Versions: []ProcedureVersion{shelvesVersion()}}, name == "net"
}

func (r *runShelves) ProcedureText(name string, version int) (string, error) {
	if name != "net" || version != 1 {
		return "", record.ErrNoProcedure
	}
	return "procedure: net", nil
}

func (r *runShelves) JudgeProcedure(text string) ProcedureJudged {
	r.did("judged")
	j := ProcedureJudged{Text: text, Form: map[string]any{"procedure": "net"}}
	if strings.Contains(text, "bad") {
		j.Faults = []ProcedureFault{{Line: 1, Column: 12, Where: "steps", What: "is missing", Allowed: "at least one step"}}
	}
	return j
}

func (r *runShelves) WriteProcedure(_ context.Context, text, reason string, by record.Actor) (ProcedureVersion, error) {
	r.did(text)
	return shelvesVersion(), nil
}

func (r *runShelves) DecideProcedure(_ context.Context, name string, version int, change, reason string, by record.Actor) (ProcedureVersion, error) {
	if name != "net" {
		return ProcedureVersion{}, record.ErrNoProcedure
	}
	r.did(change)
	return shelvesVersion(), nil
}

func (r *runShelves) ReadyProcedures() []ReadyProcedure {
	return []ReadyProcedure{{"net", "Net mass", "the lab's own", "procedure: net"}}
}

func (r *runShelves) view() RunView {
	step := &record.RunStep{Run: record.RunRef{ID: "r-7qx3-000001", Procedure: shelvesRef}, Step: "early", Became: record.StepTaken, By: treadleBy, Stamp: treadleStamp,
		Value: &record.RunValue{Name: "early", Digits: "10.000", Unit: "g", How: "weighed"}}
	return RunView{RunGlance: RunGlance{RunRef: step.Run, Title: "Net mass", State: record.RunOpen, Begun: treadleStamp.UTC, By: treadleBy, Balance: "b-12", Items: []record.RunItem{{Sample: "LOT-1003"}}},
		Seq: 7, Next: RunInstruction{Step: "later", Do: "weigh", Waiting: "weight", Say: "Weigh it.", Target: &RunTarget{Unit: "g", Wanted: "1", Low: "0.9", High: "1.1", Offset: "0"}},
		Steps: []RunStepView{{step, "", true}}, Results: []record.RunResult{}}
}

func (r *runShelves) Runs(context.Context, RunsAsked) (RunList, error) {
	return RunList{Runs: []RunGlance{r.view().RunGlance}}, nil
}

func (r *runShelves) Run(_ context.Context, id string) (RunView, error) {
	if id != "r-7qx3-000001" {
		return RunView{}, record.ErrNoRun
	}
	return r.view(), nil
}

func (r *runShelves) RunAt(balance string) (RunView, bool) { return r.view(), balance == "b-12" }

func (r *runShelves) BeginRun(_ context.Context, o RunOrder, by record.Actor) (RunView, error) {
	if o.Procedure == "busy" {
		return RunView{}, &record.NotDone{Why: "the run r-7qx3-000001 is at balance b-12"}
	}
	r.did(o)
	return r.view(), nil
}

func (r *runShelves) ActOnRun(_ context.Context, id string, a RunAct, by record.Actor) (RunView, error) {
	r.did(a)
	return r.Run(context.Background(), id)
}

// runBody is a body that a route of procedures and runs takes.
func runBody(path string) string {
	switch {
	case strings.HasPrefix(path, environmentPath):
		return `{"instrument": "meter-3", "temperature": {"digits": "21.3", "unit": "Cel"}}`
	case path == proceduresPath:
		return `{"text": "procedure: net", "reason": "needed", "by": "ada"}`
	case path == procedureJudgePath:
		return `{"text": "procedure: net"}`
	case strings.HasPrefix(path, proceduresPath) && strings.HasSuffix(path, "/decide"):
		return `{"change": "adopted", "reason": "read", "by": "ada"}`
	case path == reportsPath:
		return anIssue
	case path == runsPath:
		return `{"procedure": "net", "by": "ada"}`
	case strings.HasPrefix(path, runsPath) && strings.HasSuffix(path, "/act"):
		return `{"done": true, "by": "ada"}`
	}
	return ""
}

// TestADeedNeedsItsOwnRight: a run is acted on by whoever may perform it, a second person's yes and a value outside its limits by whoever may do that;
// a version is withdrawn by who writes procedures, and adopted by who adopts them. One thing is done at a time, and every reason is looked at.
func TestADeedNeedsItsOwnRight(t *testing.T) {
	h := open(t)
	act, decide := "runs/r-7qx3-000001/act", "procedures/net/versions/1/decide"
	for _, c := range []struct {
		who, path, body string
		want            int
	}{
		{"operator", act, `{"scan": "LOT-1003"}`, 200},
		{"operator", act, `{"yes": true}`, 200},
		{"operator", act, `{"allow": "it is known"}`, 403},
		{"reviewer", act, `{"allow": "it is known", "ref": "I-7"}`, 200},
		{"reviewer", act, `{"yes": true}`, 200},
		{"reviewer", act, `{"scan": "LOT-1003"}`, 403},
		{"auditor", act, `{"yes": true}`, 403},
		{"operator", act, `{}`, 422},
		{"operator", act, `{"done": true, "over": true}`, 422},
		{"operator", act, `{"done": true, "ref": "I-7"}`, 422},
		{"operator", act, `{"back": "\u202eno"}`, 422},
		{"operator", act, `{"scan": "a\u0000b"}`, 422},
		{"operator", "runs/none/act", `{"done": true}`, 404},
		{"reviewer", decide, `{"change": "adopted", "reason": "read"}`, 200},
		{"reviewer", decide, `{"change": "withdrawn", "reason": "wrong"}`, 403},
		{"balance-keeper", decide, `{"change": "withdrawn", "reason": "wrong"}`, 200},
		{"balance-keeper", decide, `{"change": "adopted", "reason": "read"}`, 403},
		{"operator", decide, `{"change": "adopted", "reason": "read"}`, 403},
		{"reviewer", decide, `{"change": "adopted", "reason": ""}`, 422},
		{"operator", "procedures", `{"text": "procedure: net", "reason": "needed"}`, 403},
		{"operator", "runs", `{"procedure": "busy"}`, 409},
		{"operator", "runs", `{"procedure": "net", "balance": "b-99"}`, 404},
		{"operator", "runs", `{}`, 422},
		{"balance-keeper", "procedures", `{"text": "procedure: bad", "reason": "needed"}`, 422},
		{"operator", "runs", `{"procedure": "net", "request": {"from": "lims", "id": "1"}}`, 422},
	} {
		before := h.shelves.count()
		resp, answer := send(t, h, http.MethodPost, "/api/v1/"+c.path, c.body, h.enter(t, c.who))
		if resp.StatusCode != c.want {
			t.Errorf("%s: %s %s: %d %s, want %d", c.who, c.path, c.body, resp.StatusCode, answer, c.want)
		}
		if done := h.shelves.count() > before; done != (c.want == 200) && c.want != 404 && !strings.Contains(c.body, "bad") {
			t.Errorf("%s: %s %s: done %v", c.who, c.path, c.body, done)
		}
	}
}
