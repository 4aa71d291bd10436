package console

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io/fs"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// treadle looks after the fitness of the two balances of the lab, in as far as a test of the API needs: b-12 has a check that ended and one that
// runs, b-13 none.
type treadle struct {
	mu      sync.Mutex
	acts    []any
	weights map[string]record.ReferenceWeight
	files   map[string][]byte
	answer  error // of acts, if any
}

func newTreadle() *treadle {
	return &treadle{files: map[string][]byte{}, weights: map[string]record.ReferenceWeight{"f1-200": aWeight()}}
}

func aWeight() record.ReferenceWeight {
	return record.ReferenceWeight{ID: "f1-200", Nominal: "200 g", Class: "F1", Conventional: "200.00012 g", Uncertainty: "0.0003 g", CoverageFactor: "2",
		Certificate: &record.Certificate{Number: "4711", Date: "2026-01-15", Due: "2027-01-15"}}
}

// did notes an act, or says why it is not done.
func (f *treadle) did(act any) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.answer == nil {
		f.acts = append(f.acts, act)
	}
	return f.answer
}

func (f *treadle) count() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.acts)
}

func (f *treadle) last() any {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.acts[len(f.acts)-1]
}

var (
	treadleStamp = record.Stamp{UTC: record.UTC(time.Date(2026, 11, 25, 10, 4, 5, 0, time.UTC)), Zone: "+01:00", Clock: "unchecked"}
	treadleRef   = record.CheckRef{ID: "b-12/c000001", Definition: "daily", Hash: "sha256:00"}
	treadleBy    = record.Actor{ID: "p-07", By: record.ActorPassword}
)

func treadleBalance(id string) record.Balance { return record.Balance{ID: id, Readability: "0.0001 g"} }

func treadleEnded() *record.CheckEnded {
	return &record.CheckEnded{Head: record.Head{Schema: "weighpost.record/1", ID: "north-lab/7qx3/@/000009", Seq: 9, Site: "north-lab"}, Check: treadleRef, Balance: treadleBalance("b-12"),
		Why: "scheduled", Outcome: record.CheckPassed, Weights: []record.WeightUsed{{ReferenceWeight: aWeight(), Entry: "north-lab/7qx3/@/000002"}},
		Results: []record.CheckResult{{Name: "error at 200 g", Value: "0.0001 g", Exact: "0.0001", Rounded: "half even", Verdict: record.CheckPassed}},
		Steps:   []record.EntryRef{{Seq: 8, ID: "north-lab/7qx3/@/000008"}}, By: treadleBy, Stamp: treadleStamp}
}

func (f *treadle) FitnessOf(id string) (FitnessView, bool) {
	v := FitnessView{Balance: treadleBalance(id), Fitness: record.Fitness{State: record.InService}, Since: treadleStamp.UTC, Unfit: "hold", Schedule: []CheckDue{},
		Failures: []FailureView{}, Checks: []*record.CheckEnded{}, Upkeep: []*record.Upkeep{}}
	if id == "b-12" {
		v.Checks = append(v.Checks, treadleEnded())
		v.Schedule = append(v.Schedule, CheckDue{Check: "daily", Due: treadleStamp.UTC, Overdue: treadleStamp.UTC, State: record.CheckOverdue})
		v.Failures = append(v.Failures, FailureView{Check: "b-12/c000001", Definition: "daily", Ended: treadleStamp.UTC, After: 3, Before: 7})
		v.Upkeep = append(v.Upkeep, &record.Upkeep{Balance: v.Balance, Act: record.Moved, By: treadleBy, Stamp: treadleStamp})
		running := treadleView()
		v.Running = &running
	}
	return v, id == "b-12" || id == "b-13"
}

func (f *treadle) AllFitness() (list []FitnessView) {
	for _, id := range []string{"b-12", "b-13"} {
		v, _ := f.FitnessOf(id)
		list = append(list, v)
	}
	return list
}

func (f *treadle) CheckDefinitions() []CheckDefinition {
	return []CheckDefinition{{Name: "daily", Measures: "accuracy", Loads: []string{"200 g"}, Limit: "0.10 % of the load"}}
}

func (f *treadle) CheckEnded(_ context.Context, balance, check string) (CheckReport, error) {
	switch {
	case balance != "b-12" && balance != "b-13":
		return CheckReport{}, record.ErrNoBalance
	case check != "b-12/c000001":
		return CheckReport{}, record.ErrNoCheck
	}
	e := treadleEnded()
	return CheckReport{Ended: e, Begun: &record.CheckBegun{Check: e.Check, Balance: e.Balance, Why: e.Why, Weights: e.Weights, By: e.By, Stamp: e.Stamp},
		Steps: []*record.CheckStep{{Check: e.Check, Balance: e.Balance, Step: 1, Name: "200 g", Attempt: 1, Became: record.AttemptTaken, Frame: []byte("200.0001 g\r\n"),
			Value: &record.Value{Digits: "200.0001", Unit: "g", Kind: "net", Stability: "stable", Range: "in"}, By: e.By, Stamp: e.Stamp}}}, nil
}

func treadleView() CheckView {
	return CheckView{Check: treadleRef, Balance: treadleBalance("b-12"), Begun: treadleStamp.UTC, By: treadleBy, Weights: []record.WeightUsed{}, Step: 1, Of: 2,
		Say: "Does the balance stand level?", Waiting: "answer", Choices: []string{"yes", "no"}}
}

func (f *treadle) BeginCheck(_ context.Context, _ string, o CheckOrder, by record.Actor) (CheckView, error) {
	for _, id := range o.Weights {
		if f.weights[id].ID == "" {
			return CheckView{}, record.ErrNoWeight
		}
	}
	return treadleView(), f.did([]any{o, by})
}

func (f *treadle) CheckOn(balance string) (CheckView, bool) { return treadleView(), balance == "b-12" }

func (f *treadle) ActOnCheck(_ context.Context, _ string, act CheckAct, by record.Actor) (CheckView, error) {
	return treadleView(), f.did([]any{act, by})
}

func (f *treadle) TakeOutOfService(_ context.Context, balance, reason string, by record.Actor) error {
	return f.did([]any{"out", balance, reason, by})
}

func (f *treadle) PutIntoService(_ context.Context, balance, reason string, by record.Actor) error {
	return f.did([]any{"in", balance, reason, by})
}

func (f *treadle) NoteUpkeep(_ context.Context, _ string, u record.Upkeep) error { return f.did(u) }

func (f *treadle) InDoubt(_ context.Context, balance, check string, _ uint64, _ int) (Doubtful, error) {
	if check != balance+"/c000001" {
		return Doubtful{}, record.ErrNoCheck
	}
	return Doubtful{Weighings: []DoubtfulWeighing{{EntryRef: record.EntryRef{Seq: 5, ID: "north-lab/7qx3/b-12/000001"},
		Value: record.Value{Digits: "12.3450", Unit: "g", Kind: "net", Stability: "stable", Range: "in"}, UTC: treadleStamp.UTC}}, Next: 5, Unjudged: 1}, nil
}

func (f *treadle) JudgeAffected(_ context.Context, j record.AffectedJudged) (int, error) {
	return 1, f.did(j)
}

func (f *treadle) CloseFailure(_ context.Context, balance, check, reason string, by record.Actor) error {
	return f.did([]any{"close", balance, check, reason, by})
}

func (f *treadle) ReferenceWeights() (list []WeightView) {
	for id := range f.weights {
		v, _ := f.ReferenceWeight(id)
		list = append(list, v)
	}
	return list
}

func (f *treadle) ReferenceWeight(id string) (WeightView, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	w, ok := f.weights[id]
	return WeightView{ReferenceWeight: w, Since: treadleStamp.UTC, By: treadleBy, Entry: "north-lab/7qx3/@/000002", Own: "0.0003 g"}, ok
}

func (f *treadle) RegisterWeight(_ context.Context, w record.ReferenceWeight, reason string, by record.Actor) (WeightView, error) {
	err := f.did([]any{w, reason, by})
	if err == nil {
		f.mu.Lock()
		f.weights[w.ID] = w
		f.mu.Unlock()
	}
	v, _ := f.ReferenceWeight(w.ID)
	return v, err
}

func (f *treadle) WithdrawWeight(_ context.Context, id, reason string, by record.Actor) (WeightView, error) {
	v, ok := f.ReferenceWeight(id)
	if !ok {
		return v, record.ErrNoWeight
	}
	return v, f.did([]any{"withdraw", id, reason, by})
}

func (f *treadle) KeepFile(name string, content []byte) (record.KeptFile, error) {
	sum := sha256.Sum256(content)
	f.mu.Lock()
	defer f.mu.Unlock()
	f.files[hex.EncodeToString(sum[:])] = bytes.Clone(content) // the body is used again for the next request
	return record.KeptFile{Name: name, SHA256: hex.EncodeToString(sum[:]), Bytes: int64(len(content))}, nil
}

func (f *treadle) KeptFile(k record.KeptFile) ([]byte, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if content, ok := f.files[k.SHA256]; ok {
		return content, nil
	}
	return nil, fs.ErrNotExist
}

const (
	aBegin  = `{"check": "daily", "weights": ["f1-200"], "by": "ada"}`
	aDeed   = `{"answer": "yes", "by": "ada"}`
	aMove   = `{"act": "move", "place": "room 2", "by": "ada"}`
	aJudge  = `{"effect": "no effect", "reason": "far above the minimum", "by": "ada"}`
	aNewOne = `{"nominal": "100 g", "class": "F1", "certificate": {"number": "4712", "by": "the national laboratory", "date": "2026-02-01", "due": "2027-02-01"}, "reason": "new", "by": "ada"}`
	aPDF    = "%PDF-1.7\n%%EOF\n"
)

// fitnessBody is a body that a route about fitness takes, or "".
func fitnessBody(method, path string) string {
	switch {
	case strings.HasSuffix(path, "/check"):
		return aBegin
	case strings.HasSuffix(path, "/check/act"):
		return aDeed
	case strings.HasSuffix(path, "-service"), strings.HasSuffix(path, "/close"):
		return `{"reason": "a test", "by": "ada"}`
	case strings.HasSuffix(path, "/upkeep"):
		return aMove
	case strings.HasSuffix(path, "/judge"):
		return aJudge
	case strings.HasPrefix(path, weightsPath) && strings.HasSuffix(path, "/file"):
		return aPDF
	case strings.HasPrefix(path, weightsPath) && method == "PUT":
		return aNewOne
	}
	return ""
}

// TestWhatIsAskedAboutFitnessArrives: what the routes hand on, who acts, and what comes back where it is not done.
func TestWhatIsAskedAboutFitnessArrives(t *testing.T) {
	h := open(t)
	for _, c := range []struct {
		method, path, body string
		want               string // of what arrived, as JSON
	}{
		{"POST", "/api/v1/balances/b-12/check", aBegin, `[{"check":"daily","weights":["f1-200"]},BY]`},
		{"POST", "/api/v1/balances/b-12/check/act", `{"right": false, "by": "ada"}`, `[{"right":false},BY]`},
		{"POST", "/api/v1/balances/b-12/check/act", `{"stop": "the phone rang", "by": "ada"}`, `[{"stop":"the phone rang"},BY]`},
		{"POST", "/api/v1/balances/b-13/out-of-service", `{"reason": " it drifts ", "by": "ada"}`, `["out","b-13","it drifts",BY]`},
		{"POST", "/api/v1/balances/b-13/in-service", `{"reason": "it was the draught", "by": "ada"}`, `["in","b-13","it was the draught",BY]`},
		{"POST", "/api/v1/balances/b-12/failures/c000001/close", `{"reason": "all looked over", "by": "ada"}`, `["close","b-12","b-12/c000001","all looked over",BY]`},
		{"DELETE", "/api/v1/reference-weights/f1-200?reason=dropped&by=ada", "", `["withdraw","f1-200","dropped",BY]`},
	} {
		resp, answer := send(t, h, c.method, c.path, c.body, nil)
		if resp.StatusCode != 200 {
			t.Errorf("%s %s: %d %s", c.method, c.path, resp.StatusCode, answer)
			continue
		}
		by := `{"id":"ada","by":"token","where":"http 127.0.0.1"}`
		if got, _ := json.Marshal(h.fit.last()); string(got) != strings.Replace(c.want, "BY", by, 1) {
			t.Errorf("%s %s: %s, want %s", c.method, c.path, got, strings.Replace(c.want, "BY", by, 1))
		}
	}
	send(t, h, "POST", "/api/v1/balances/b-12/upkeep", `{"act": "adjustment", "as_found": "c000001", "as_left": "b-12/c000002", "note": "span", "by": "ada"}`, nil)
	if u, ok := h.fit.last().(record.Upkeep); !ok || u.AsFound != "b-12/c000001" || u.AsLeft != "b-12/c000002" || u.By.ID != "ada" {
		t.Errorf("%+v", h.fit.last())
	}
	send(t, h, "POST", "/api/v1/balances/b-12/failures/c000001/judge", `{"weighings": [{"seq": 5, "id": "x"}], "effect": "affected", "reason": "too light", "by": "ada"}`, nil)
	if j, ok := h.fit.last().(record.AffectedJudged); !ok || j.Check != "b-12/c000001" || j.Balance.ID != "b-12" || len(j.Weighings) != 1 || j.By.ID != "ada" {
		t.Errorf("%+v", h.fit.last())
	}
	h.fit.answer = &record.NotDone{Why: "a check of b-12 is under way"}
	resp, answer := send(t, h, "POST", "/api/v1/balances/b-12/check", aBegin, nil)
	if resp.StatusCode != 409 || !strings.Contains(answer, "A check of b-12 is under way.") {
		t.Errorf("%d %s", resp.StatusCode, answer)
	}
	h.fit.answer = errors.New("the journal is full")
	if resp, answer = send(t, h, "POST", "/api/v1/balances/b-12/check/act", aDeed, nil); resp.StatusCode != 503 || !strings.Contains(answer, "The journal is full.") {
		t.Errorf("%d %s", resp.StatusCode, answer)
	}
}

// TestWhatARequestAboutFitnessCannotSay: each of these is refused, and nothing arrives.
func TestWhatARequestAboutFitnessCannotSay(t *testing.T) {
	h := open(t)
	for _, c := range []struct {
		method, path, body string
		want               int
	}{
		{"POST", "/api/v1/balances/b-12/check", `{"check": "daily", "weights": ["none"], "by": "ada"}`, 409},
		{"POST", "/api/v1/balances/b-12/check", `{"check": "daily", "weights": ["f1-200"]}`, 422},
		{"POST", "/api/v1/balances/b-99/check", aBegin, 404},
		{"POST", "/api/v1/balances/b-12/check/act", `{"by": "ada"}`, 422},
		{"POST", "/api/v1/balances/b-12/check/act", `{"answer": "yes", "stop": "x", "by": "ada"}`, 422},
		{"POST", "/api/v1/balances/b-12/check/act", `{"stop": "a\u202eb", "by": "ada"}`, 422},
		{"POST", "/api/v1/balances/b-12/upkeep", `{"act": "polish", "by": "ada"}`, 422},
		{"POST", "/api/v1/balances/b-12/upkeep", `{"act": "move", "note": "a\u202eb", "by": "ada"}`, 422},
		{"POST", "/api/v1/balances/b-12/out-of-service", `{"reason": " ", "by": "ada"}`, 422},
		{"PUT", "/api/v1/reference-weights/f1-200", `{"id": "f1-100", "nominal": "200 g", "by": "ada"}`, 422},
		{"PUT", "/api/v1/reference-weights/f1-200", `{"nominal": "200 g", "certificate": {"number": "4711", "file": {"name": "x.pdf", "sha256": "00", "bytes": 1}}, "by": "ada"}`, 422},
		{"DELETE", "/api/v1/reference-weights/f1-200", "", 422},
		{"DELETE", "/api/v1/reference-weights/none?reason=lost&by=ada", "", 404},
		{"GET", "/api/v1/balances/b-13/check", "", 404},
		{"GET", "/api/v1/balances/b-12/checks/c000002", "", 404},
		{"GET", "/api/v1/balances/b-12/failures/c000002/weighings", "", 404},
		{"GET", "/api/v1/reference-weights/none", "", 404},
		{"GET", "/api/v1/reference-weights/f1-200/file", "", 404},
	} {
		if resp, answer := send(t, h, c.method, c.path, c.body, nil); resp.StatusCode != c.want || h.fit.count() != 0 {
			t.Errorf("%s %s %s: %d %s, want %d", c.method, c.path, c.body, resp.StatusCode, answer, c.want)
		}
	}
}

// TestACertificateIsAttachedAndGivenBack: as bytes, as an attachment that no browser takes for a page, and nothing else than what it says.
func TestACertificateIsAttachedAndGivenBack(t *testing.T) {
	h := open(t)
	const path = "/api/v1/reference-weights/f1-200/file"
	as := func(kind string) func(*http.Request) {
		return func(r *http.Request) { r.Header.Set("Content-Type", kind) }
	}
	large := "%PDF-" + strings.Repeat("x", record.MostKept)
	for _, c := range []struct {
		kind, query, body string
		want              int
	}{
		{"application/json", "?name=a.pdf&by=ada", `{}`, 415},
		{"text/html", "?name=a.pdf&by=ada", aPDF, 415},
		{"image/png", "?name=a.pdf&by=ada", aPDF, 422},
		{"application/pdf", "?name=a.pdf&by=ada", "<html>", 422},
		{"application/pdf", "?by=ada", aPDF, 422},
		{"application/pdf", "?name=..&by=ada", aPDF, 422},
		{"application/pdf", "?name=a%0db.pdf&by=ada", aPDF, 422},
		{"application/pdf", "?name=a.pdf", aPDF, 422},
		{"application/pdf", "?name=a.pdf&by=ada", large, 413},
	} {
		if resp, answer := send(t, h, "PUT", path+c.query, c.body, as(c.kind)); resp.StatusCode != c.want || h.fit.count() != 0 {
			t.Errorf("%s %s: %d %.200s, want %d", c.kind, c.query, resp.StatusCode, answer, c.want)
		}
	}
	resp, answer := send(t, h, "PUT", path+"?name=../../Schein%204711.pdf&by=ada", aPDF, as("application/pdf"))
	sum := sha256.Sum256([]byte(aPDF))
	if resp.StatusCode != 200 || !strings.Contains(answer, `"sha256":"`+hex.EncodeToString(sum[:])+`"`) || !strings.Contains(answer, `"name":"Schein 4711.pdf"`) {
		t.Fatalf("%d %s", resp.StatusCode, answer)
	}
	resp, answer = send(t, h, "GET", path, "", nil)
	got := []string{resp.Header.Get("Content-Type"), resp.Header.Get("Content-Disposition"), resp.Header.Get("X-Content-Type-Options"), answer}
	if want := []string{"application/pdf", `attachment; filename="Schein 4711.pdf"`, "nosniff", aPDF}; resp.StatusCode != 200 || !slices.Equal(got, want) {
		t.Errorf("%d %q", resp.StatusCode, got)
	}
	// What is known of the weight may change, and the file stays as long as the certificate's number does.
	send(t, h, "PUT", strings.TrimSuffix(path, "/file"), `{"nominal": "200 g", "serial": "7", "certificate": {"number": "4711"}, "reason": "its number was read", "by": "ada"}`, nil)
	if w := h.fit.weights["f1-200"]; w.Certificate.File == nil || w.Serial != "7" {
		t.Errorf("%+v", w.Certificate)
	}
	send(t, h, "PUT", strings.TrimSuffix(path, "/file"), `{"nominal": "200 g", "certificate": {"number": "4800"}, "reason": "new certificate", "by": "ada"}`, nil)
	if w := h.fit.weights["f1-200"]; w.Certificate.File != nil {
		t.Errorf("the file of another certificate stands in the new one: %+v", w.Certificate)
	}
	big := append([]byte("%PDF-"), bytes.Repeat([]byte("x"), record.MostKept-5)...)
	if resp, answer := send(t, h, "PUT", path+"?name=a.pdf&by=ada", string(big), as("application/pdf")); resp.StatusCode != 200 {
		t.Errorf("one of 10 MiB: %d %.200s", resp.StatusCode, answer)
	}
}
