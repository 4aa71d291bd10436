package screens

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// reportLab has a failed check of b-12 with a replaced attempt, and hostile words in it.
func reportLab() *tested {
	stamp := record.Stamp{UTC: record.UTC(time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC)), Zone: "+01:00", Clock: record.ClockChecked}
	ref, balance := record.CheckRef{ID: "b-12/c000003", Definition: "daily"}, record.Balance{ID: "b-12", Serial: "<b>SB</b>"}
	step := func(seq uint64, became, digits string) *record.CheckStep {
		return &record.CheckStep{Head: record.Head{ID: "lab/1/@/00" + digits, Seq: seq}, Check: ref, Step: 2, Name: "100 g", Attempt: 1, Became: became, Stamp: stamp,
			Value: &record.Value{Digits: digits, Unit: "g", PrintedUnit: "g", Range: "in"}, Reason: "a <i>draught</i>"}
	}
	steps := []*record.CheckStep{step(11, record.AttemptTaken, "100.0018"), step(12, record.AttemptReplaced, "100.0018"), step(13, record.AttemptTaken, "100.0019")}
	steps[2].Attempt = 2
	e := &record.CheckEnded{Head: record.Head{ID: "lab/1/@/000014", Seq: 14, Site: "lab"}, Check: ref, Balance: balance, Outcome: record.CheckFailed, Stamp: stamp,
		Results: []record.CheckResult{{Name: "error at 100 g", Value: "0.00190 g", Exact: "0.0019", Rounded: "half to even", Limit: "0.001 g", Warn: "0.0007 g", From: "the lab's own tolerance", Verdict: record.CheckFailed}},
		Steps:   []record.EntryRef{{Seq: 11}, {Seq: 12}, {Seq: 13}}, Weights: []record.WeightUsed{{ReferenceWeight: record.ReferenceWeight{ID: "w-1", Nominal: "100 g"}}}}
	aborted := &record.CheckEnded{Check: record.CheckRef{ID: "b-12/c000004", Definition: "span"}, Balance: balance, Outcome: record.CheckAborted, Stamp: stamp}
	v := console.FitnessView{Balance: balance, Fitness: record.Fitness{State: record.OutOfService}, Checks: []*record.CheckEnded{aborted, e},
		Schedule: []console.CheckDue{{Check: "span", Due: record.UTC(time.Date(2027, 2, 1, 0, 0, 0, 0, time.UTC))}, {Check: "daily", Due: record.UTC(time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC))}}}
	return &tested{views: map[string]console.FitnessView{"b-12": v}, reports: map[string]console.CheckReport{ref.ID: {Ended: e, Begun: &record.CheckBegun{Stamp: stamp}, Steps: steps}}}
}

// TestTheReportOnAScreenIsThatOnPaper: outcome, every attempt, and what does not count in words, with a way to the file.
func TestTheReportOnAScreenIsThatOnPaper(t *testing.T) {
	l := newLab(t, Deps{Source: twoBalances().get(), Fitness: reportLab(), Benches: benches{}})
	body := l.fetch(t, "/balances/b-12/checks/c000003", as(rights.Auditor))
	for _, want := range []string{"FAILED", "in doubt until somebody has judged it", "0.00190 g", "0.0007 g", "the lab&#39;s own tolerance", "&lt;b&gt;SB&lt;/b&gt;", "a &lt;i&gt;draught&lt;/i&gt;",
		`href="/api/v1/balances/b-12/checks/c000003/report.pdf"`, "2 of 3 attempts do not count", "never replaces it", "weighpost journal prove lab/1/@/000014", "cannot be kept from showing a weight"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if n := strings.Count(body, `class="out"`); n != 2 || strings.Count(body, "DOES NOT COUNT") != 2 {
		t.Errorf("%d rows are struck out", n)
	}
	for path, want := range map[string]int{"/balances/b-12/checks/c1x": 404, "/balances/b-12/checks/c000003%0a": 404, "/balances/b-99/file": 404, "/balances/b-99/status-label": 404} {
		if status, _ := l.get(t, path, as(rights.Auditor)); status != want {
			t.Errorf("%s: %d", path, status)
		}
	}
	without := newLab(t, Deps{Source: twoBalances().get()})
	for _, path := range []string{"/balances/b-12/checks/c000003", "/balances/b-12/file", "/balances/b-12/status-label"} {
		if status, _ := without.get(t, path, as(rights.Auditor)); status != http.StatusNotFound {
			t.Errorf("%s without checks: %d", path, status)
		}
	}
}

// TestTheDayOfALabelIsThatOfStamps: of the computer's clock that is ahead it takes what it is ahead, and a clock that nobody has checked is
// named on label, file and page.
func TestTheDayOfALabelIsThatOfStamps(t *testing.T) {
	ahead, facts := (72 * time.Hour).Seconds(), twoBalances().get()
	facts.clock = console.Clock{State: record.ClockChecked, Ahead: &ahead}
	l := newLab(t, Deps{Source: facts, Fitness: reportLab(), Benches: benches{}})
	day := time.Now().Add(-72 * time.Hour).Format(time.DateOnly)
	if body := l.fetch(t, "/balances/b-12/status-label", as(rights.Operator)); !strings.Contains(body, "Printed on "+day) || strings.Contains(body, "clock not checked") {
		t.Errorf("the label does not say %s", day)
	}
	if body := l.fetch(t, "/balances/b-12/file", as(rights.Auditor)); !strings.Contains(body, "As it was on "+day) || strings.Contains(body, "not checked") {
		t.Errorf("the file does not say %s", day)
	}
	facts.clock.State = record.ClockUnchecked
	l = newLab(t, Deps{Source: facts, Fitness: reportLab(), Benches: benches{}})
	for path, want := range map[string]string{"/balances/b-12/status-label": "clock not checked", "/balances/b-12/file": "by a clock that is not checked"} {
		if body := l.fetch(t, path, as(rights.Auditor)); !strings.Contains(body, want) {
			t.Errorf("%s does not say %q", path, want)
		}
	}
}

// TestTheFileOfABalanceOnAScreenNamesWhatIsMissing.
func TestTheFileOfABalanceOnAScreenNamesWhatIsMissing(t *testing.T) {
	l := newLab(t, Deps{Source: twoBalances().get(), Fitness: reportLab(), Benches: benches{}})
	body := l.fetch(t, "/balances/b-12/file", as(rights.Auditor))
	for _, want := range []string{"What is not known", "No calibration certificate is registered.", "Its minimum weight is not known.", "it is not in the register", "That does not say that there was none", "&lt;b&gt;SB&lt;/b&gt;"} {
		if !strings.Contains(body, want) {
			t.Errorf("the file does not say %q", want)
		}
	}
}

// TestTheStatusLabelSaysItsDayAndTakesNothingForGood: an aborted check is no outcome, and the next due is the soonest.
func TestTheStatusLabelSaysItsDayAndTakesNothingForGood(t *testing.T) {
	l := newLab(t, Deps{Source: twoBalances().get(), Fitness: reportLab(), Benches: benches{}})
	body := l.fetch(t, "/balances/b-12/status-label", as(rights.Operator))
	for _, want := range []string{"OUT OF SERVICE", "<dt>Last check</dt><dd>daily <strong>FAILED</strong>", `<dt>Next due</dt><dd>daily<span class="line">2026-12-01 `, "<dt>Minimum weight</dt><dd>not known",
		"<dt>Calibrated</dt><dd>not known",
		record.LabelCode("b-12"), `<path d="M10 0h`, "Printed on " + time.Now().Format(time.DateOnly), "The screen of weighpost has the truth", "&lt;b&gt;SB&lt;/b&gt;"} {
		if !strings.Contains(body, want) {
			t.Errorf("the label does not say %q", want)
		}
	}
}
