package screens

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// tested is the fitness of balances as a test has it.
type tested struct {
	console.Fitness // what a page may not ask panics
	views           map[string]console.FitnessView
	defs            []console.CheckDefinition
	weights         []console.WeightView
	running         map[string]console.CheckView
	reports         map[string]console.CheckReport
	doubts          []console.DoubtfulWeighing
	asked           []uint64 // after which the weighings in doubt were asked for
	fails           error
}

func (f *tested) FitnessOf(balance string) (console.FitnessView, bool) {
	v, ok := f.views[balance]
	return v, ok
}
func (f *tested) CheckDefinitions() []console.CheckDefinition { return f.defs }
func (f *tested) ReferenceWeights() []console.WeightView      { return f.weights }
func (f *tested) ReferenceWeight(id string) (console.WeightView, bool) {
	i := slices.IndexFunc(f.weights, func(w console.WeightView) bool { return w.ID == id })
	if i < 0 {
		return console.WeightView{}, false
	}
	return f.weights[i], true
}
func (f *tested) CheckOn(balance string) (console.CheckView, bool) {
	v, ok := f.running[balance]
	return v, ok
}
func (f *tested) CheckEnded(_ context.Context, _, check string) (console.CheckReport, error) {
	r, ok := f.reports[check]
	if !ok {
		return r, errors.New("there is no check <" + check + ">")
	}
	return r, nil
}
func (f *tested) InDoubt(_ context.Context, _, _ string, after uint64, limit int) (d console.Doubtful, err error) {
	f.asked = append(f.asked, after)
	for _, w := range f.doubts {
		if w.Effect == "" {
			d.Unjudged++
		}
		if w.Seq > after && len(d.Weighings) < limit {
			d.Weighings = append(d.Weighings, w)
		}
	}
	if n := len(d.Weighings); n == limit {
		d.Next = d.Weighings[n-1].Seq
	}
	return d, f.fails
}

// day is a moment of the demo's time.
func day(d int) record.UTC { return record.UTC(time.Date(2026, 11, d, 7, 30, 0, 0, time.UTC)) }

var keeper = record.Actor{ID: "lia", Name: "Lia Fern", By: record.ActorPassword}

func aCheck(number, outcome string, d int) *record.CheckEnded {
	id := "b-12/" + number
	return &record.CheckEnded{Check: record.CheckRef{ID: id, Definition: "daily"}, Balance: record.Balance{ID: "b-12"}, Why: record.CheckScheduled, Outcome: outcome, By: keeper,
		Stamp: record.Stamp{UTC: day(d)}, Results: []record.CheckResult{{Name: "error at 200 g", Value: "0.0021 g", Exact: "0.0021", Warn: "0.0007 g", Limit: "0.0010 g", From: "the lab's tolerance " + hostile, Verdict: outcome}},
		Weights: []record.WeightUsed{{ReferenceWeight: record.ReferenceWeight{ID: "f1-3-200a", Nominal: "200 g", Class: "F1", Set: "3"}, Doubt: "its certificate was due " + hostile}}}
}

// aLab is a balance out of service after a check that failed, one that nobody checks, and four reference weights.
func aLab() *tested {
	last := day(28)
	failed := aCheck("c000003", record.CheckFailed, 29)
	f := &tested{
		defs: []console.CheckDefinition{{Name: "repeat", Measures: "repeatability", Loads: []string{"100 g"}, Times: 10, Limit: "2 d, the lab's own tolerance"},
			{Name: "corners", Measures: "eccentricity", Loads: []string{"100 g"}, Positions: []string{"front left", "back right"}, Limit: "0.05 % of the load"},
			{Name: "daily", Measures: "accuracy", Loads: []string{"200 g"}, Limit: "1 mg, the lab's own tolerance"}},
		weights: []console.WeightView{
			{ReferenceWeight: record.ReferenceWeight{ID: "f1-3-100", Set: "3", Nominal: "100 g", Class: "F1", Certificate: &record.Certificate{Number: "4711", Date: "2026-02-01", Due: "2099-02-01"}}, Own: "0.0005 g"},
			{ReferenceWeight: record.ReferenceWeight{ID: "f1-3-200a", Set: "3 " + hostile, Nominal: "200 g", Class: "F1", Conventional: "200.00012 g", Uncertainty: "0.0003 g", CoverageFactor: "2", Certificate: &record.Certificate{Number: "4712" + hostile, By: "a calibration laboratory", Date: "2026-02-01", Due: "2099-02-01"}}, Own: "0.0003 g", By: keeper},
			{ReferenceWeight: record.ReferenceWeight{ID: "m1-500", Nominal: "500 g", Class: "M1", Certificate: &record.Certificate{Number: "9", Date: "2024-01-01", Due: "2025-01-01"}}, Unfit: "its certificate was due on 2025-01-01", Refused: true},
			{ReferenceWeight: record.ReferenceWeight{ID: "old-1", Nominal: "1 g", Withdrawn: true}, Unfit: "it was withdrawn from use", Refused: true}},
		views: map[string]console.FitnessView{
			"b-12": {Balance: record.Balance{ID: "b-12"}, Fitness: record.Fitness{State: record.OutOfService}, Since: day(29), Cause: record.ByCheckFailed, Reason: "check c000003 failed " + hostile, Unfit: "hold",
				Schedule: []console.CheckDue{{Check: "daily", Due: day(29), Overdue: day(30), Last: &last, State: record.CheckOverdue}, {Check: "corners", Due: day(30), Overdue: day(30), State: record.InService, Because: "moved " + hostile}},
				Minimum:  &record.MinimumWeight{Mass: "0.0205 g", Source: "USP <41>, repeatability of 2026-11-20"},
				Failures: []console.FailureView{{Check: "b-12/c000003", Definition: "daily", Ended: day(29), After: 10, Before: 900, Judged: 1, Affected: 1}, {Check: "b-12/c000001", Definition: "daily", Ended: day(2), Judged: 4, Closed: true}},
				Checks:   []*record.CheckEnded{failed, aCheck("c000002", record.CheckPassed, 28)},
				Upkeep:   []*record.Upkeep{{Act: record.Calibrated, AsFound: "b-12/c000002", By: keeper, Stamp: record.Stamp{UTC: day(5)}, Calibration: &record.Calibration{Certificate: record.Certificate{Number: "K-17"}, Alpha: "0.0002 g", Beta: "0.0000015", CoverageFactor: "2"}}}},
			"b-13": {Balance: record.Balance{ID: "b-13"}, Fitness: record.Fitness{State: record.FitnessUnknown}, Unfit: "mark", NoMinimum: "no repeatability check with ten weighings or more has passed yet"},
		},
		running: map[string]console.CheckView{}, reports: map[string]console.CheckReport{"b-12/c000003": {Ended: failed}},
	}
	for i := range 120 {
		f.doubts = append(f.doubts, console.DoubtfulWeighing{EntryRef: record.EntryRef{Seq: uint64(i + 11), ID: "seed-bank/7qx3/b-12/" + strings.Repeat("0", 3) + url.QueryEscape(string(rune('a'+i%26)))}, Value: *grams("9.3450", "stable"), UTC: day(28), Sample: "LOT-" + hostile})
	}
	f.doubts[0].Effect = record.EffectAffected
	return f
}

func fitLab(t *testing.T, f *tested) *lab {
	s := twoBalances().get()
	for i := range s.balances {
		now := f.views[s.balances[i].ID].Fitness
		s.balances[i].Fitness = &now
	}
	return newLab(t, Deps{Source: s, Fitness: f, Benches: benches{}})
}

// wants holds a page against what it has to say and what it may not.
func wants(t *testing.T, what, body string, has []string, not ...string) {
	t.Helper()
	for _, w := range has {
		if !strings.Contains(body, w) {
			t.Errorf("%s: there is no %q", what, w)
		}
	}
	if strings.Contains(body, "</main>") {
		not = append(not, hostile)
	}
	for _, w := range not {
		if strings.Contains(body, w) {
			t.Errorf("%s: there is %q", what, w)
		}
	}
}

// TestTheFitnessPageSaysWhetherWhyAndWhatBecomesOfWeighings, and offers what whoever looks may do.
func TestTheFitnessPageSaysWhetherWhyAndWhatBecomesOfWeighings(t *testing.T) {
	l := fitLab(t, aLab())
	body := l.fetch(t, "/balances/b-12/fitness", as(rights.BalanceKeeper))
	text := mainText(t, body)
	wants(t, "page", text, []string{"OUT OF SERVICE", "check failed", "held back from every destination until somebody releases it", "the balance itself cannot be kept from showing a weight",
		"0.0205 g", "USP <41>, repeatability of 2026-11-20", "It is never Min of OIML R 76-1", "overdue", "not due yet", "failed at", "1 of them affected", "Not closed yet", "Closed.", "K-17", "0.0002 g + 0.0000015·W, k = 2", "support a calibration by a competent body and never replace it"})
	wants(t, "markup", body, []string{`href="/bench/b-12/check"`, `data-send="POST /api/v1/balances/b-12/in-service"`, `data-send="POST /api/v1/balances/b-12/upkeep"`, `href="/balances/b-12/checks/c000003"`,
		`href="/balances/b-12/failures/c000003"`, `<option value="b-12/c000002">`}, "out-of-service\"")
	wants(t, "unknown", mainText(t, l.fetch(t, "/balances/b-13/fitness", as(rights.BalanceKeeper))), []string{"not known", "No check is scheduled", "has not been checked yet", "None: no repeatability check"})
	wants(t, "to take out", l.fetch(t, "/balances/b-13/fitness", as(rights.BalanceKeeper)), []string{`data-send="POST /api/v1/balances/b-13/out-of-service"`}, "in-service\"")
	for role, may := range map[string][2]bool{"": {false, false}, rights.Operator: {false, true}, rights.Reviewer: {false, false}, rights.BalanceKeeper: {true, true}, rights.IT: {false, false}, rights.Auditor: {false, false}} {
		body := l.fetch(t, "/balances/b-12/fitness", as(role))
		if got := [2]bool{strings.Contains(body, "/upkeep\"") && strings.Contains(body, "in-service\""), strings.Contains(body, `href="/bench/b-12/check"`)}; got != may {
			t.Errorf("%q: offered upkeep and the check %v, may %v", role, got, may)
		}
		if offered, may := strings.Contains(body, "Judge what was weighed"), role == rights.Reviewer; offered != may {
			t.Errorf("%q: offered to judge %v", role, offered)
		}
	}
	for _, path := range []string{"/balances/b-99/fitness", "/bench/b-99/check", "/balances/b-12/failures/c000099"} {
		if status, _ := l.get(t, path, as(rights.Auditor)); status != http.StatusNotFound {
			t.Errorf("%s: %d", path, status)
		}
	}
	for _, path := range []string{"/balances/b-12/fitness", "/weights", "/weights/f1-3-100", "/labels/weights", "/bench/b-12/check"} {
		if status, body := newLab(t, Deps{Source: twoBalances().get()}).get(t, path, as(rights.Auditor)); status != http.StatusNotFound || !strings.Contains(body, "not checked here") {
			t.Errorf("%s without checks: %d", path, status)
		}
	}
}

// TestWhatAFailedCheckThrowsDoubtOnIsJudgedInPages, and closed once all is judged.
func TestWhatAFailedCheckThrowsDoubtOnIsJudgedInPages(t *testing.T) {
	f := aLab()
	l := fitLab(t, f)
	body := l.fetch(t, "/balances/b-12/failures/c000003", as(rights.Reviewer))
	if n := strings.Count(body, `class="one"`); n != 50 {
		t.Errorf("%d can be chosen", n)
	}
	wants(t, "page", body, []string{"119 weighings are", "Judge all 119", `data-address="/api/v1/balances/b-12/failures/c000003/judge"`, "?after=60", `data-seq="11"`, "affected"}, "Close it")
	l.fetch(t, "/balances/b-12/failures/c000003?after=60", as(rights.Reviewer))
	if !slices.Equal(f.asked, []uint64{0, 60}) {
		t.Errorf("asked for what is after %v", f.asked)
	}
	wants(t, "operator", l.fetch(t, "/balances/b-12/failures/c000003", as(rights.Operator)), []string{"LOT-"}, `class="one"`, "Judge all", "<fieldset")
	for i := range f.doubts {
		f.doubts[i].Effect = record.EffectNone
	}
	wants(t, "judged", l.fetch(t, "/balances/b-12/failures/c000003", as(rights.Reviewer)), []string{"All are judged", `data-send="POST /api/v1/balances/b-12/failures/c000003/close"`}, "Judge all")
	f.fails = errors.New("the disk <i>failed</i>")
	wants(t, "unread", l.fetch(t, "/balances/b-12/failures/c000003", as(rights.Reviewer)), []string{"the disk &lt;i&gt;failed"}, "Close it", "All are judged")
	wants(t, "closed", l.fetch(t, "/balances/b-12/failures/c000001", as(rights.Reviewer)), []string{"Closed."}, "Close it", `class="one"`)
}

// TestACheckIsBegunWithWhatIsDueAndAtHand: what is overdue first, overdue weights not to be chosen, those of the last check ticked.
func TestACheckIsBegunWithWhatIsDueAndAtHand(t *testing.T) {
	f := aLab()
	l := fitLab(t, f)
	body := l.fetch(t, "/bench/b-12/check", as(rights.Operator))
	wants(t, "page", body, []string{`data-send="POST /api/v1/balances/b-12/check"`, `data-then="/bench/b-12/check"`, `value="daily" checked`, `value="scheduled" checked`, `value="f1-3-200a" checked`, `value="m1-500" disabled`,
		"its certificate was due on 2025-01-01", "repeatability · 10 times · 100 g", "centre, front left, back right", `id="weight-scan"`}, `value="old-1"`, `value="f1-3-100" checked`)
	if a, b, c := strings.Index(body, `value="daily"`), strings.Index(body, `value="corners"`), strings.Index(body, `value="repeat"`); !(a < b && b < c) {
		t.Error("what is overdue does not come first, or what is not scheduled not last")
	}
	wants(t, "visitor", l.fetch(t, "/bench/b-12/check", as(rights.Auditor)), []string{"Whoever has the right to check"}, "data-send")
	elsewhere := as(rights.Operator)
	elsewhere.Balances = []string{"b-13"}
	signedIn := as(rights.Auditor)
	signedIn.Session, signedIn.Actor.Name = "s-1", "Bert "+hostile
	wants(t, "without the right", l.fetch(t, "/bench/b-12/check", signedIn), []string{"is signed in here, and has no right to check this balance", "Sign in as somebody else"}, "data-send", hostile)
	wants(t, "elsewhere", l.fetch(t, "/bench/b-12/check", elsewhere), nil, "data-send")
	f.weights = nil
	wants(t, "no weight", l.fetch(t, "/bench/b-12/check", as(rights.Operator)), []string{"No reference weight is registered"}, "data-send")
	f.defs = nil
	wants(t, "no check", l.fetch(t, "/bench/b-12/check", as(rights.Operator)), []string{"No check is set up"}, "data-send")
}

// TestACheckGuidesStepByStep, and tells what it found with each limit and where that comes from.
func TestACheckGuidesStepByStep(t *testing.T) {
	f := aLab()
	l := fitLab(t, f)
	now := console.CheckView{Check: record.CheckRef{ID: "b-12/c000004", Definition: "daily"}, By: keeper, Begun: day(30), Step: 5, Of: 9, Name: "200 g", Say: "Place 200 g, F1, set 3 (f1-3-200a), on the centre of the pan.", Waiting: "place",
		Taken: "0.0000 g", Repeats: 1, Note: "The balance printed 3 g " + hostile, Weights: f.views["b-12"].Checks[0].Weights}
	show := func(role string) string {
		f.running["b-12"] = now
		return l.fetch(t, "/bench/b-12/check", as(role))
	}
	wants(t, "place", show(rights.Operator), []string{"Step 5 of 9", "Place 200 g, F1, set 3 (f1-3-200a), on the centre of the pan.", `data-phase="place" aria-current="step"`, "#put-on", "0.0000 g", `id="again"><summary>`, `id="end"`, `id="asks" class="ask-large" aria-label="Your answer" hidden`,
		`data-runs="c000004"`, `id="print-key" class="hint-line key-line" data-prints="false" hidden`}, `data-send=`)
	wants(t, "reviewer", show(rights.Reviewer), []string{"Step 5 of 9", "only shows the check"}, `id="again"`, `id="end"`, `id="yes"`)
	now.Waiting = "wait"
	wants(t, "wait", show(rights.Operator), []string{`data-phase="wait" aria-current="step"`}, `data-phase="place" aria-current`)
	now.Waiting, now.Say, now.Repeats = "answer", "Does the balance stand level?", 0
	wants(t, "question", show(rights.Operator), []string{`id="asks" class="ask-large" aria-label="Your answer">`, "No ends the check without a verdict", `id="again" hidden`}, `aria-current="step"`)
	now.Waiting, now.Unheard, now.Note = "place", true, "The balance cannot be heard."
	wants(t, "unheard", show(rights.Operator), []string{`class="note-line unheard"`, "The balance cannot be heard.", `aria-label="What becomes of the load" hidden`})
	delete(f.running, "b-12")
	wants(t, "found", l.fetch(t, "/bench/b-12/check?ended=c000003", as(rights.Operator)), []string{"FAILED", "0.0021 g", "0.0010 g", "the lab&#39;s tolerance", "warning from 0.0007 g", "OUT OF SERVICE", "cannot be kept from showing a weight", `href="/balances/b-12/checks/c000003"`, "never replace it", "What was weighed before it"})
	wants(t, "to be judged", l.fetch(t, "/bench/b-12/check?ended=c000003", as(rights.Reviewer)), []string{`href="/balances/b-12/failures/c000003">Judge what was weighed before it`}, "Another check")
	wants(t, "another", l.fetch(t, "/bench/b-12/check?ended=%3Cb%3E", as(rights.Operator)), []string{"cannot be read"}, "<b>")
	f.running["b-13"] = console.CheckView{Check: record.CheckRef{ID: "b-13/c000001"}, Waiting: "place", Step: 1, Of: 2}
	wants(t, "print key", l.fetch(t, "/bench/b-13/check", as(rights.Operator)), []string{`data-prints="true">When it has come to rest, press the print key`})
}

// TestTheRegisterOfWeights lists, changes and labels them, by who may.
func TestTheRegisterOfWeights(t *testing.T) {
	f := aLab()
	l := fitLab(t, f)
	body := l.fetch(t, "/weights", as(rights.BalanceKeeper))
	wants(t, "register", body, []string{`href="/weights/f1-3-200a"`, "200.00012 g", "± 0.0003 g, k = 2", "not to be used", "its certificate was due on 2025-01-01", "Withdrawn (1)", `id="register"`, "M1-2", "ASTM 4"})
	wants(t, "operator", l.fetch(t, "/weights", as(rights.Operator)), []string{"f1-3-200a"}, "<form")
	body = l.fetch(t, "/weights/f1-3-200a", as(rights.BalanceKeeper))
	wants(t, "one", body, []string{`data-of="/api/v1/reference-weights/f1-3-200a"`, `data-send="DELETE /api/v1/reference-weights/f1-3-200a"`, `value="200.00012 g"`, `<option value="F1" selected>`, "a calibration laboratory"})
	wants(t, "withdrawn", l.fetch(t, "/weights/old-1", as(rights.BalanceKeeper)), []string{"withdrawn"}, "<form")
	wants(t, "auditor", l.fetch(t, "/weights/f1-3-200a", as(rights.Auditor)), nil, "<form")
	if status, _ := l.get(t, "/weights/none", as(rights.Auditor)); status != http.StatusNotFound {
		t.Errorf("%d", status)
	}
	body = l.fetch(t, "/labels/weights", as(""))
	wants(t, "labels", body, []string{"Barcode " + record.WeightCode("f1-3-200a"), "Barcode " + record.WeightCode("m1-500"), "certificate 4711"}, "old-1")
	wants(t, "one label", l.fetch(t, "/labels/weights?id=f1-3-100", as("")), []string{"Label of f1-3-100"}, "m1-500")
	f.weights = nil
	wants(t, "empty", l.fetch(t, "/weights", as(rights.BalanceKeeper)), []string{"No reference weight is registered", `class="take" open`})
}

// TestAnUnfitBalanceSaysSoWhereItIsLookedAt: at the bench, on the wall, on its page; with the way to the check for whoever may.
func TestAnUnfitBalanceSaysSoWhereItIsLookedAt(t *testing.T) {
	for state, words := range map[string]string{record.CheckDue: "check due", record.CheckOverdue: "check overdue", record.OutOfService: "OUT OF SERVICE", record.InCheck: "in check", record.InService: "", record.FitnessUnknown: ""} {
		f := aLab()
		v := f.views["b-12"]
		v.Fitness = record.Fitness{State: state, Due: "2026-11-29T07:30:00Z"}
		f.views["b-12"] = v
		l := fitLab(t, f)
		for _, path := range []string{"/bench/b-12", "/balances/b-12", "/wall/b-12", "/balances/b-12?part=fitness", "/bench/b-12?part=fitness"} {
			body := l.fetch(t, path, as(rights.Operator))
			banner := strings.Contains(body, `<div class="fit `) || strings.Contains(body, `<p class="fit-word `)
			if banner != (words != "") || !strings.Contains(body, words) {
				t.Errorf("%s, %s: banner %v", path, state, banner)
			}
			way := strings.Contains(body, `class="button" href="/bench/b-12/check"`)
			if way != (words != "" && path != "/wall/b-12") {
				t.Errorf("%s, %s: the way to the check: %v", path, state, way)
			}
		}
		if body := l.fetch(t, "/bench/b-12", as(rights.Operator)); strings.Contains(body, "Do not weigh here: the balance is out of service.") != (state == record.OutOfService) {
			t.Errorf("%s: what to do next at the bench is %.300s", state, body[strings.Index(body, `id="next"`):])
		}
		if body := l.fetch(t, "/bench/b-12", as(rights.Reviewer)); state != record.InCheck && strings.Contains(body, `href="/bench/b-12/check"`) {
			t.Errorf("%s: whoever may not check is led there", state)
		}
	}
}

// TestNoWeightIsRecordedFromAPageWhereThePolicyRefuses: the form is not offered and the page says why, also to a page that is open already.
func TestNoWeightIsRecordedFromAPageWhereThePolicyRefuses(t *testing.T) {
	f := aLab()
	s, now := twoBalances().get(), f.views["b-12"].Fitness
	s.balances[0].Fitness, s.balances[0].Asking = &now, &console.Asking{}
	l := newLab(t, Deps{Source: s, Fitness: f})
	for refusal, offered := range map[string]bool{"": true, "Balance b-12 is out of service (" + hostile + "): no weight is recorded here.": false} {
		v := f.views["b-12"]
		v.Refusal = refusal
		f.views["b-12"] = v
		for _, path := range []string{"/balances/b-12", "/balances/b-12?part=record-here"} {
			body := l.fetch(t, path, as(rights.Operator))
			if strings.Contains(body, "Record this weight") != offered || strings.Contains(body, "no weight is recorded here") == offered || !strings.Contains(body, `data-print-of="fitness" data-print="out of service `) {
				t.Errorf("%s, %q: offered wrongly", path, refusal)
			}
		}
	}
}
