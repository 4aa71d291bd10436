package screens

import (
	"context"
	"net/http"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// askedLab is a lab that was asked for something.
type askedLab struct {
	list []console.RequestView
	q    console.RequestsAsked
}

func (a *askedLab) LabRequests(q console.RequestsAsked) (list []console.RequestView) {
	a.q = q
	for _, one := range a.list {
		if q.Sample == "" || strings.Contains(requestRow{one}.Of(), q.Sample) {
			list = append(list, one)
		}
	}
	return list
}

func (a *askedLab) LabRequest(ref record.RequestRef) (console.RequestView, bool) {
	for _, one := range a.list {
		if one.RequestRef == ref {
			return one, true
		}
	}
	return console.RequestView{}, false
}

func (a *askedLab) TakeRequest(context.Context, record.LabRequest, record.Actor) (v console.RequestView, again bool, err error) {
	return v, false, nil
}

func (a *askedLab) ChangeRequest(context.Context, record.RequestRef, console.RequestChange, record.Actor) (v console.RequestView, err error) {
	return v, nil
}

func (a *askedLab) CancelRequest(context.Context, record.RequestRef, string, record.Actor) (v console.RequestView, err error) {
	return v, nil
}

func (a *askedLab) SendRequest(context.Context, record.RequestSent, record.Actor) (v record.RequestStands, err error) {
	return v, nil
}

const hostileID = `R/1"><script>alert(1)</script>`

func someRequests() *askedLab {
	at := record.UTC(time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC))
	one := func(id, state string, more func(*console.RequestView)) console.RequestView {
		v := console.RequestView{LabRequest: record.LabRequest{RequestRef: record.RequestRef{From: "lims", ID: id}, Procedure: "dry-mass", Priority: 5,
			Items: []record.RunItem{{Sample: "LOT-" + id, Container: "V-1"}}}, State: state, Received: at, Changed: at, Title: "Dry mass"}
		more(&v)
		return v
	}
	return &askedLab{list: []console.RequestView{
		one("R-1", record.RequestWaiting, func(v *console.RequestView) {
			v.Priority, v.Due, v.Overdue, v.Job, v.Task, v.Balance = 1, &at, true, "J-1", "T-1", "b-12"
			v.Parameters, v.Fields = map[string]string{"portion": "10 g"}, map[string]string{"Prüfauftrag": "7/ä"}
			v.Items = append(v.Items, record.RunItem{Container: "V-2"}, record.RunItem{Sample: "LOT-2"}, record.RunItem{Sample: "LOT-3"}, record.RunItem{Sample: "LOT-4"})
		}),
		one(hostileID, record.RequestWaiting, func(v *console.RequestView) {
			v.Cannot, v.Job, v.Parameters, v.Items[0].Fields = "There is no <b>balance</b>.", hostileID, map[string]string{hostileID: hostileID}, map[string]string{hostileID: hostileID}
		}),
		one("R-3", record.RequestComplete, func(v *console.RequestView) {
			v.Run, v.Verdict = "r-7qx3-000001", "failed"
			v.Results = []record.RunResult{{Name: "mass", Label: "Dry mass", Digits: "10.002", Unit: "g", Verdict: "failed", Limit: "at most 10 g", Allowed: "reviewed", Item: &v.Items[0]}}
		}),
		one("R-4", record.RequestCancelled, func(v *console.RequestView) { v.Reason = "the lot was withdrawn" }),
	}}
}

// TestWhatWaitsIsListedInItsOrder, with what cannot begin and what is overdue by word and shape, and nothing from outside as markup.
func TestWhatWaitsIsListedInItsOrder(t *testing.T) {
	a := someRequests()
	l := newLab(t, Deps{Requests: a, Source: source{balances: []console.Balance{{ID: "b-12"}, {ID: "b-13"}}}})
	status, body := l.get(t, "/requests?state=waiting&balance=b-12&from=lims", as(rights.Operator))
	if want := (console.RequestsAsked{State: "waiting", Balance: "b-12", From: "lims", Limit: requestsLimit + 1}); status != http.StatusOK || a.q != want {
		t.Errorf("%d %+v", status, a.q)
	}
	for _, want := range []string{`<a href="/requests/lims/R-1">`, "LOT-R-1 in V-1, V-2, LOT-2, and 2 more", "waiting, overdue", "cannot begin", "There is no &lt;b&gt;balance&lt;/b&gt;.",
		`/requests/lims/R%2F1%22%3E%3Cscript%3Ealert%281%29%3C%2Fscript%3E`, "complete, outside its limits", "job ", "any fit one"} {
		if !strings.Contains(body, want) {
			t.Errorf("not there: %s", want)
		}
	}
	if strings.Contains(body, "<script>alert") || strings.Index(body, ">R-3<") < strings.Index(body, ">R-1<") {
		t.Error("markup from outside, or out of order")
	}
	a.list = nil
	if _, body := l.get(t, "/requests", as(rights.Operator)); !strings.Contains(body, "No request waits. A lab system sends") || a.q.State != "" {
		t.Errorf("%s", body)
	}
	if _, body := newLab(t, Deps{}).get(t, "/requests", as(rights.Operator)); !strings.Contains(body, "Requests are not taken") {
		t.Error(body)
	}
}

// TestARequestOffersWhatCanBeDoneAboutIt, to whoever may: to begin it, to change it, to cancel it; and nothing once it has ended.
func TestARequestOffersWhatCanBeDoneAboutIt(t *testing.T) {
	l := newLab(t, Deps{Requests: someRequests(), Source: source{balances: []console.Balance{{ID: "b-12"}, {ID: "b-13"}}}})
	dueIn := time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC).In(time.FixedZone(time.Now().Zone())).Format("2006-01-02 15:04")
	const begin, change, cancel = `data-send="POST /api/v1/runs"`, `data-send="PATCH /api/v1/requests/`, `/cancel"`
	for _, c := range []struct {
		role, path  string
		there, miss []string
	}{
		{rights.Operator, "/requests/lims/R-1", []string{begin, `<option value="b-12"`, `value="R-1"`, "10 g", "J-1", "T-1", "7/ä", "overdue", "<ol"}, []string{change, cancel, `<option value="b-13"`, `at none yet`}},
		{rights.BalanceKeeper, "/requests/lims/R-1", []string{begin, change, cancel, `data-empty`, `name="due" data-type="moment"`, `value="` + dueIn + `"`}, nil},
		{rights.Auditor, "/requests/lims/R-1", []string{"portion"}, []string{begin, change, cancel}},
		{rights.BalanceKeeper, "/requests/lims/R%2F1%22%3E%3Cscript%3Ealert%281%29%3C%2Fscript%3E?balance=b-13", []string{begin, change, "at none yet", `<option value="b-13" selected`, "No run can begin of it now"}, []string{"<script>alert"}},
		{rights.BalanceKeeper, "/requests/lims/R-3", []string{"/runs/r-7qx3-000001", "10.002", "at most 10 g", "reviewed", "qualified people decide"}, []string{begin, change, cancel}},
		{rights.BalanceKeeper, "/requests/lims/R-4", []string{"the lot was withdrawn", "cancelled"}, []string{begin, change, cancel}},
	} {
		status, body := l.get(t, c.path, as(c.role))
		if status != http.StatusOK {
			t.Errorf("%s: %d", c.path, status)
		}
		for _, want := range c.there {
			if !strings.Contains(body, want) {
				t.Errorf("%s %s: not there: %s", c.role, c.path, want)
			}
		}
		for _, want := range c.miss {
			if strings.Contains(body, want) {
				t.Errorf("%s %s: is there: %s", c.role, c.path, want)
			}
		}
	}
	if status, _ := l.get(t, "/requests/lims/R-9", as(rights.Operator)); status != http.StatusNotFound {
		t.Errorf("%d", status)
	}
}

// TestTheBenchSaysWhichRequestsWait: of the sample that is there, which one of them is asked about, and what the balance has to do besides.
func TestTheBenchSaysWhichRequestsWait(t *testing.T) {
	a := someRequests()
	a.list = a.list[:1]
	b := source{balances: []console.Balance{{ID: "b-12", Context: []record.ContextHeld{{Name: record.ItemSample, ID: "LOT-R-1"}}}}}
	deps := Deps{Source: b, Benches: benches{}, Runs: &ran{}, Requests: a}
	_, body := newLab(t, deps).get(t, "/bench/b-12", as(rights.Operator))
	for _, want := range []string{`data-request="R-1" data-sender="lims"`, "Begin its run?", "A request waits for this sample:", "Requests for this balance", `data-send="POST /api/v1/runs"`,
		`<input type="hidden" name="balance" value="b-12">`, `href="/requests/lims/R-1"`} {
		if !strings.Contains(body, want) {
			t.Errorf("not there: %s", want)
		}
	}
	if a.q != (console.RequestsAsked{State: record.RequestWaiting, Balance: "b-12", Limit: mostQueued}) {
		t.Errorf("%+v", a.q)
	}
	if _, body := newLab(t, deps).get(t, "/bench/b-12", as("")); strings.Contains(body, "data-request") || strings.Contains(body, "POST /api/v1/runs") {
		t.Error("who may not begin a run is asked to")
	}
	second := a.list[0]
	second.RequestRef.ID = "R-2"
	a.list = append(a.list, second)
	if _, body := newLab(t, deps).get(t, "/bench/b-12", as(rights.Operator)); strings.Contains(body, "data-request") || !strings.Contains(body, "2 of the requests wait") {
		t.Error("several are listed, and none is asked about")
	}
}

// TestWhatWasLeftOutStandsBesideTheVerdict, wherever a run or its request is shown.
func TestWhatWasLeftOutStandsBesideTheVerdict(t *testing.T) {
	items := []record.RunItem{{Sample: "LOT-1"}, {Sample: "LOT-2"}}
	q := requestRow{console.RequestView{LabRequest: record.LabRequest{Items: items}, State: record.RequestComplete, Verdict: record.CheckPassed}}
	g := console.RunGlance{State: record.RunComplete, Verdict: record.CheckPassed, Items: items}
	if a, b := q.Look().Word, runLook(g).Word; a != "complete" || b != "passed" {
		t.Errorf("nothing was left out: %q %q", a, b)
	}
	q.LeftOut, g.LeftOut = []record.RunLeft{{Item: items[1], Reason: "it broke"}}, 1
	if a, b := q.Look().Word, runLook(g).Word; a != "complete, 1 of 2 left out" || b != "passed, 1 of 2 left out" {
		t.Errorf("%q %q", a, b)
	}
}
