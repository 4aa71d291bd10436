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

// hall has one visit, as a test wants it, and the ports of a test.
type hall struct {
	console.Setup
	ports []console.SetupPort
	visit console.Visit
}

func (h hall) SetupPorts(context.Context) ([]console.SetupPort, error) { return h.ports, nil }
func (h hall) Visits() []console.Visit                                 { return nil }
func (h hall) Visit(id string) (console.Visit, error) {
	if id != h.visit.ID {
		return console.Visit{}, console.ErrNoVisit
	}
	return h.visit, nil
}

func aVisit() console.Visit {
	return console.Visit{ID: "v1", Began: record.UTC(time.Now()), State: console.VisitAsking, Step: 3, Steps: []string{"a", "b", "c", "d"}, Event: 7}
}

// TestAddingBeginsWithThePorts: who has each is said, and where there is none, what to do.
func TestAddingBeginsWithThePorts(t *testing.T) {
	none := newLab(t, Deps{Setup: hall{}})
	status, body := none.get(t, "/add", as(rights.BalanceKeeper))
	for _, want := range []string{"This computer shows no serial port", "USB adapter", "device server", `data-send="POST /api/v1/setup/visits"`} {
		if status != http.StatusOK || !strings.Contains(body, want) {
			t.Errorf("%d: %q is not on the page without ports: %s", status, want, body)
		}
	}
	l := newLab(t, Deps{Setup: hall{ports: []console.SetupPort{{Address: "/dev/ttyS1", Device: "/dev/ttyS1", Balance: "b-1"}, {Address: "/dev/<b>", Device: "/dev/ttyUSB0", Free: true}}}})
	_, body = l.get(t, "/add", as(rights.BalanceKeeper))
	for _, want := range []string{`<a href="/settings/balances/b-1">b-1</a>`, "/dev/&lt;b&gt;", "nobody"} {
		if !strings.Contains(body, want) {
			t.Errorf("%q is not on the page: %s", want, body)
		}
	}
	for _, role := range []string{"", rights.Operator, rights.Reviewer, rights.Auditor} {
		for _, path := range []string{"/add", "/add/v1"} {
			if status, _ := l.get(t, path, as(role)); status != http.StatusForbidden {
				t.Errorf("%s as %q: %d", path, role, status)
			}
		}
	}
	if status, body := newLab(t, Deps{}).get(t, "/add", as(rights.IT)); status != http.StatusNotFound || !strings.Contains(body, "weighpost add-balance") {
		t.Errorf("without visits: %d %s", status, body)
	}
}

// TestAVisitIsWholeWithoutScripts: the question with its answers, why it is asked, the steps in words, the pieces over the lines, and
// all of it as text.
func TestAVisitIsWholeWithoutScripts(t *testing.T) {
	v := aVisit()
	v.Question = &console.VisitQuestion{Number: 5, Key: "word", Kind: "choice", Text: "What does <i>N</i> mean?", Why: "It could count, or not.", Back: true,
		Choices: []console.VisitChoice{{Value: "net", Text: "a net weight"}, {Value: "?", Text: "not known"}}}
	v.Lines = &console.VisitLines{Learnt: true, Fits: 1, Of: 2, Doubts: []string{"The unit is not sure."}, Lines: []console.VisitLine{{Number: 1, Text: "N 1.5 <script>",
		Reads: "1.5 g", Pieces: []console.VisitPiece{{Text: "N "}, {Text: "1.5", What: "weight"}, {Text: " <script>"}}}}}
	l := newLab(t, Deps{Setup: hall{visit: v}})
	status, body := l.get(t, "/add/v1", as(rights.IT))
	for _, want := range []string{"What does &lt;i&gt;N&lt;/i&gt; mean?", "It could count, or not.", `value="net"`, "a net weight", "One step back", `aria-current="step"`, "to come",
		`<span class="chars">1.5</span><span class="what">weight</span>`, " &lt;script&gt;", "1 of 2 lines", "The unit is not sure.", `data-number="5"`} {
		if status != http.StatusOK || !strings.Contains(body, want) {
			t.Errorf("%d: %q is not on the page: %s", status, want, body)
		}
	}
	if strings.Contains(body, "<script>") || strings.Contains(body, "style=") {
		t.Error("there is markup from outside, or a style that the policy forbids")
	}
	if _, body := l.get(t, "/add/other", as(rights.IT)); !strings.Contains(body, "Begin again") {
		t.Errorf("a visit that is gone: %s", body)
	}
}

// TestHowAVisitEnded leads on: to the balance, to the change that waits, or to the beginning.
func TestHowAVisitEnded(t *testing.T) {
	for state, want := range map[string]string{console.VisitFinished: `href="/balances/b-7"`, console.VisitWaits: `href="/settings/waiting"`,
		console.VisitAbandoned: "Somebody ended it.", console.VisitFailed: "This did not work"} {
		v := aVisit()
		v.State, v.Why = state, "Somebody ended it. Nothing was written."
		if state == console.VisitFinished || state == console.VisitWaits {
			v.Result = &console.VisitResult{Balance: "b-7"}
		}
		_, body := newLab(t, Deps{Setup: hall{visit: v}}).get(t, "/add/v1", as(rights.IT))
		if !strings.Contains(body, want) || strings.Contains(body, `id="answer"`) {
			t.Errorf("%s: %q is not on the page, or something is still asked: %s", state, want, body)
		}
	}
}
