package console

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// hall is a place for visits: one asks whether a balance is to be saved, and there is none beside it.
type hall struct {
	said []VisitAnswer
	acts atomic.Int64
}

// changes is how often anything was done behind the console.
func (h *house) changes() int {
	return h.bench.count() + h.access.count() + h.closet.count() + int(h.hall.acts.Load()) + len(h.shelf.acts) + h.fit.count() + h.shelves.count() + int(h.asked.acts.Load())
}

const aVisit = "b-12"

func (*hall) visit() Visit {
	at := record.UTC(time.Date(2026, 11, 25, 10, 4, 5, 0, time.UTC))
	return Visit{ID: aVisit, By: record.Actor{ID: "ada", By: record.ActorToken}, Began: at, Ends: at, State: VisitAsking, Step: 6, Steps: []string{"Port"},
		Question: &VisitQuestion{Number: 3, Key: "write", Kind: "yes-no", Text: "Save this balance?", Choices: []VisitChoice{{"yes", "save it"}}, Back: true, Reason: true},
		Said:     []VisitSaid{{at, "told"}}, Event: 7,
		Lines: &VisitLines{Fits: 1, Of: 1, Lines: []VisitLine{{Number: 1, Text: "1 g", Pieces: []VisitPiece{{"1", "weight"}}}}, Doubts: []string{}}}
}

func (h *hall) SetupPorts(context.Context) ([]SetupPort, error) {
	return []SetupPort{{Address: "/dev/ttyS1", Device: "/dev/ttyS1", Kind: "on-board", Free: true}}, nil
}
func (h *hall) Visits() []Visit { return []Visit{h.visit()} }
func (h *hall) BeginVisit(_ context.Context, by record.Actor) (Visit, error) {
	h.acts.Add(1)
	if by.ID == "late" {
		return Visit{}, &VisitRefused{Why: "4 balances are being added already"}
	}
	return h.visit(), nil
}
func (h *hall) Visit(id string) (Visit, error) {
	if id != aVisit {
		return Visit{}, ErrNoVisit
	}
	return h.visit(), nil
}
func (h *hall) AnswerVisit(_ context.Context, id string, a VisitAnswer) (Visit, error) {
	if a.Question != 3 {
		return Visit{}, &VisitRefused{Why: "this question is not asked any more"}
	}
	h.acts.Add(1)
	h.said = append(h.said, a)
	return h.Visit(id)
}
func (h *hall) AbandonVisit(_ context.Context, id string) (Visit, error) {
	h.acts.Add(1)
	return h.Visit(id)
}

// FollowVisit tells three things, and then that it has ended.
func (h *hall) FollowVisit(ctx context.Context, id string, after uint64) ([]VisitEvent, error) {
	v := h.visit()
	v.State, v.Question = VisitFinished, nil
	all := []VisitEvent{{N: 5, Said: &v.Said[0]}, {N: 6, Bytes: &VisitBytes{Hex: "0D 0A", Text: "<CR><LF>"}}, {N: 7, Visit: &v}}
	for i, e := range all {
		if e.N > after {
			return all[i:], nil
		}
	}
	return nil, errors.New("nothing more comes")
}

// TestAVisitByTheAPI: whoever answers is named, and the stream goes on after the event that came last and ends with the visit.
func TestAVisitByTheAPI(t *testing.T) {
	h := open(t)
	resp, body := send(t, h, "POST", strings.Replace(visitAnswerPath, "{id}", aVisit, 1), `{"question": 3, "answer": "yes", "reason": "new", "by": "ada"}`, nil)
	if resp.StatusCode != 200 || len(h.hall.said) != 1 || h.hall.said[0].By.ID != "ada" || h.hall.said[0].Reason != "new" {
		t.Errorf("%d %s: %+v", resp.StatusCode, body, h.hall.said)
	}
	path := strings.Replace(visitEventsPath, "{id}", aVisit, 1)
	resp, body = send(t, h, "GET", path, "", nil)
	if resp.StatusCode != 200 || resp.Header.Get("Content-Type") != "text/event-stream" {
		t.Fatalf("%d %s", resp.StatusCode, body)
	}
	for _, want := range []string{"id: 5\nevent: said\ndata: {", "id: 6\nevent: bytes\ndata: {", `"hex":"0D 0A"`, "id: 7\nevent: visit\ndata: {", "event: end\n"} {
		if !strings.Contains(body, want) {
			t.Errorf("%q is not in %s", want, body)
		}
	}
	_, body = send(t, h, "GET", path, "", func(r *http.Request) {
		r.Header.Set("Authorization", "Bearer "+testToken)
		r.Header.Set("Last-Event-ID", "6")
	})
	if strings.Contains(body, "event: said") || strings.Contains(body, "event: bytes") || !strings.Contains(body, "event: visit") {
		t.Errorf("after the event 6: %s", body)
	}
	if resp, _ := send(t, h, "GET", strings.Replace(visitEventsPath, "{id}", "v-9", 1), "", nil); resp.StatusCode != 404 {
		t.Errorf("of no visit: %d", resp.StatusCode)
	}
	if resp, body := send(t, h, "POST", visitsPath, `{"by": "late"}`, nil); resp.StatusCode != 409 || !strings.Contains(body, "4 balances are being added already.") {
		t.Errorf("one too many: %d %s", resp.StatusCode, body)
	}
	if resp, _ := send(t, h, "POST", visitsPath, `{}`, nil); resp.StatusCode != 422 {
		t.Errorf("the host's token without a name: %d", resp.StatusCode)
	}
}

// TestVisitsNeedTheRight to change balances, for looking too.
func TestVisitsNeedTheRight(t *testing.T) {
	h := open(t)
	for role, set := range rights.Defaults() {
		if role == rights.Machine {
			continue
		}
		for _, path := range []string{setupPortsPath, visitsPath, strings.Replace(visitPath, "{id}", aVisit, 1)} {
			resp, body := send(t, h, "GET", path, "", h.enter(t, role))
			if want := map[bool]int{true: 200, false: 403}[set.Has(rights.Balances)]; resp.StatusCode != want {
				t.Errorf("%s as %s: %d %s, want %d", path, role, resp.StatusCode, body, want)
			}
		}
	}
}
