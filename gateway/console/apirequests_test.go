package console

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// askedFor is a lab that knows the requests whose ids end in 1, and takes any.
type askedFor struct {
	acts atomic.Int32
	sent []record.RequestSent
	by   []record.Actor
	err  error // of acts
}

func (a *askedFor) view(ref record.RequestRef) RequestView {
	at := record.UTC(time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC))
	v := RequestView{LabRequest: record.LabRequest{RequestRef: ref, Procedure: "dry-mass", Items: []record.RunItem{{Sample: "LOT-1003", Fields: map[string]string{"x": "y"}}}, Priority: 5},
		State: record.RequestComplete, Received: at, Changed: at, Run: "r-7qx3-000001", Verdict: "passed", Title: "Dry mass",
		Results: []record.RunResult{{Name: "mass", Digits: "10.002", Unit: "g", Verdict: "passed"}}}
	return v
}

func (a *askedFor) LabRequests(RequestsAsked) []RequestView {
	return []RequestView{a.view(record.RequestRef{From: "lims", ID: "R-1"})}
}

func (a *askedFor) LabRequest(ref record.RequestRef) (RequestView, bool) {
	return a.view(ref), strings.HasSuffix(ref.ID, "1")
}

func (a *askedFor) act(ref record.RequestRef) (RequestView, error) {
	v, known := a.LabRequest(ref)
	switch {
	case a.err != nil:
		return v, a.err
	case !known:
		return v, record.ErrNoRequest
	}
	a.acts.Add(1)
	return v, nil
}

func (a *askedFor) TakeRequest(_ context.Context, r record.LabRequest, _ record.Actor) (RequestView, bool, error) {
	v, err := a.act(r.RequestRef)
	return v, false, err
}

func (a *askedFor) ChangeRequest(_ context.Context, ref record.RequestRef, _ RequestChange, _ record.Actor) (RequestView, error) {
	return a.act(ref)
}

func (a *askedFor) CancelRequest(_ context.Context, ref record.RequestRef, _ string, _ record.Actor) (RequestView, error) {
	return a.act(ref)
}

func (a *askedFor) SendRequest(_ context.Context, s record.RequestSent, by record.Actor) (record.RequestStands, error) {
	v, err := a.act(s.Request.RequestRef)
	if err == nil {
		a.sent, a.by = append(a.sent, s), append(a.by, by)
	}
	return record.RequestStands{RequestRef: v.RequestRef, State: v.State, Run: v.Run}, err
}

func machineKey(r *http.Request) { r.Header.Set("Authorization", "Bearer "+keyMark+"machine") }

// TestAProgramActsOnItsOwnRequests: its key's id is who sends them, whatever it says; a person acts on those of all, and sends in their own name; the
// host says whose they are.
func TestAProgramActsOnItsOwnRequests(t *testing.T) {
	h := open(t)
	const mine, others = `{"id": "R-1", "procedure": "p"}`, `{"id": "R-1", "from": "lims", "procedure": "p"}`
	const change = `{"id": "R-1", "from": "lims", "change": {"priority": 1}}`
	keeper := h.enter(t, "balance-keeper")
	for _, c := range []struct {
		who          func(*http.Request)
		method, path string
		body         string
		status       int
		from         string
	}{
		{machineKey, "POST", labRequestsPath, mine, 200, "key-machine"},
		{machineKey, "POST", labRequestsPath, others, 403, ""},
		{machineKey, "POST", labRequestsPath, change, 403, ""},
		{machineKey, "PATCH", labRequestsPath + "/key-machine/R-1", `{"priority": 1}`, 200, ""},
		{machineKey, "PATCH", labRequestsPath + "/lims/R-1", `{"priority": 1}`, 403, ""},
		{machineKey, "POST", labRequestsPath + "/lims/R-1/cancel", `{"reason": "x"}`, 403, ""},
		{machineKey, "POST", labRequestsPath + "/key-machine/R%2F1/cancel", `{"reason": "x"}`, 200, ""},
		{keeper, "POST", labRequestsPath, mine, 200, "balance-keeper"},
		{keeper, "POST", labRequestsPath, others, 403, ""},
		{keeper, "POST", labRequestsPath, change, 200, "lims"},
		{keeper, "PATCH", labRequestsPath + "/lims/R-1", `{"priority": 1}`, 200, ""},
		{nil, "POST", labRequestsPath, mine, 422, ""},
		{nil, "POST", labRequestsPath, others, 200, "lims"},
	} {
		h.asked.sent = nil
		resp, answer := send(t, h, c.method, c.path, c.body, c.who)
		if resp.StatusCode != c.status || c.from != "" && (len(h.asked.sent) != 1 || h.asked.sent[0].Request.From != c.from) {
			t.Errorf("%s %s %s: %d %s %+v", c.method, c.path, c.body, resp.StatusCode, answer, h.asked.sent)
		}
	}
}

// TestEachOfAListSaysWhatBecameOfIt, and what cannot be recorded has all of it sent again.
func TestEachOfAListSaysWhatBecameOfIt(t *testing.T) {
	h := open(t)
	list := `[{"id": "R-1", "procedure": "p"}, {"id": "R-2", "procedure": "p"}, {"id": "R-3", "procedure": 7}, {"id": "R-1", "from": "lims", "cancel": "x"}]`
	resp, answer := send(t, h, "POST", labRequestsPath, list, machineKey)
	var got labRequestsTaken
	if err := json.Unmarshal([]byte(answer), &got.Body); err != nil || resp.StatusCode != 200 || len(got.Body.Requests) != 4 {
		t.Fatal(resp.StatusCode, answer, err)
	}
	for i, want := range []struct{ state, why string }{{"complete", ""}, {"", "no request of that id"}, {"", "procedure"}, {"", "leave from out"}} {
		o := got.Body.Requests[i]
		if o.Number != i+1 || o.OK != (want.why == "") || o.State != want.state || !strings.Contains(strings.ToLower(o.Why), want.why) {
			t.Errorf("%+v, want %+v", o, want)
		}
	}
	h.asked.err = context.DeadlineExceeded
	if resp, answer := send(t, h, "POST", labRequestsPath, list, machineKey); resp.StatusCode != 503 {
		t.Errorf("%d %s", resp.StatusCode, answer)
	}
	h.asked.err = &record.NotDone{Why: "the request R-1 of lims came before"}
	if resp, answer := send(t, h, "POST", labRequestsPath, `{"id": "R-1", "procedure": "p"}`, machineKey); resp.StatusCode != 409 || !strings.Contains(answer, "came before.") {
		t.Errorf("%d %s", resp.StatusCode, answer)
	}
}

// TestTenMegabytesOfRequests are not read; 100 requests of a real size are, also with a key, and are the same request when it comes again.
func TestTenMegabytesOfRequests(t *testing.T) {
	h := open(t)
	withKeys(t, h)
	resp, answer := send(t, h, "POST", labRequestsPath, `[`+strings.Repeat(" ", 10<<20)+`]`, machineKey)
	if resp.StatusCode != http.StatusRequestEntityTooLarge {
		t.Errorf("%d %.200s", resp.StatusCode, answer)
	}
	var b bytes.Buffer
	for i := range 100 {
		b.WriteString(map[bool]string{true: "[", false: ","}[i == 0] + `{"id": "R-1", "procedure": "p", "items": [` + strings.Repeat(`{"sample": "LOT-1003-2026-07"},`, 100) + `{"sample": "x"}]}`)
	}
	b.WriteString("]")
	for again := range 2 {
		resp, answer := send(t, h, "POST", labRequestsPath, b.String(), func(r *http.Request) { machineKey(r); r.Header.Set(keyHeader, `"k-1"`) })
		if resp.StatusCode != 200 || strings.Count(answer, `"ok":true`) != 100 || len(h.asked.sent) != 100 || len(h.asked.sent[99].Request.Items) != 101 || h.asked.by[0].Request == "" {
			t.Errorf("%d: %d %.300s, %d sent", again, resp.StatusCode, answer, len(h.asked.sent))
		}
	}
}
