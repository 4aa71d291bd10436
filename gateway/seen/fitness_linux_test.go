package seen

import (
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

// checksText are the checks of the seed bank: b-16 has a file of them, b-13 has one that is due and runs while its pages are looked at.
const checksText = `
checks:
- {name: daily, measures: accuracy, questions: ["Does the balance stand level?", "Are the pan and what is around it clean, dry and free?"], loads: [100 g], tolerance: {mass: 1 mg}, uncertainty: true}
- {name: scatter, use: repeat-ten, questions: [], loads: [100 g], tolerance: {usp41: true, smallest: 500 mg}}
- {name: corner-loads, use: corners, questions: [], loads: [50 g]}
- {name: whole-range, use: up-and-down, questions: [], loads: [20 g, 50 g, 100 g, 200 g], tolerance: {mass: 2 mg}}
- {name: store-round, measures: accuracy, questions: ["Does the balance stand level?"], loads: [2 kg], tolerance: {percent: "0.05"}}
fitness:
  minimum_weight: {mass: 20 mg, usp41: true}
  weights: {overdue: warn, coarse: warn}
  balances:
  - {balance: b-13, schedule: [{check: store-round, every: week}]}
  - {balance: b-16, schedule: [{check: daily, every: day, before_use: true, after: [move, repair, adjustment]}, {check: scatter, every: quarter, grace: 168h}, {check: corner-loads, every: year}]}
`

// mass is a weight in ten-thousandths of a gram, as b-16 prints it.
func mass(tenthsOfMg int) string {
	sign := ""
	if tenthsOfMg < 0 {
		sign, tenthsOfMg = "-", -tenthsOfMg
	}
	return fmt.Sprintf("%s%d.%04d", sign, tenthsOfMg/10000, tenthsOfMg%10000)
}

// pan is what a check is shown at each of its steps: by the number of the step, what the balance prints.
type pan func(v console.CheckView) (digits string)

var keeper = record.Actor{ID: "ada", Name: "Ada Quill", Role: "balance-keeper", By: record.ActorPassword}

// checkRuns begins a check of a balance and has it printed what the pan holds, until it has ended.
func (l *lab) checkRuns(balance string, o console.CheckOrder, p pan) {
	l.t.Helper()
	v, err := l.BeginCheck(l.t.Context(), balance, o, keeper)
	if err != nil {
		l.t.Fatal(err)
	}
	l.goesOn(balance, v, p)
}

// goesOn takes a check that runs to its end, or to where the pan says nothing.
func (l *lab) goesOn(balance string, v console.CheckView, p pan) {
	l.t.Helper()
	var err error
	for limit := time.Now().Add(patience); ; {
		switch {
		case v.Waiting == "answer":
			v, err = l.ActOnCheck(l.t.Context(), balance, console.CheckAct{Answer: "yes"}, keeper)
		case v.Waiting == "confirm":
			wrong := false
			v, err = l.ActOnCheck(l.t.Context(), balance, console.CheckAct{Right: &wrong}, keeper)
		default:
			digits := p(v)
			if digits == "" {
				return
			}
			if _, err = io.WriteString(l.lines[balance], "W "+digits+" g S\r\n"); err == nil {
				v, err = l.moves(balance, v, limit)
			}
		}
		if err != nil {
			l.t.Fatal(err)
		}
		if v.Waiting == "" {
			return
		}
	}
}

// moves waits until a check is elsewhere than it was; the answer waits for nothing once it has ended and is in the file of the balance.
func (l *lab) moves(balance string, was console.CheckView, limit time.Time) (console.CheckView, error) {
	for ; ; time.Sleep(2 * time.Millisecond) {
		now, runs := l.CheckOn(balance)
		if file, _ := l.FitnessOf(balance); !runs && len(file.Checks) > 0 && file.Checks[0].Check.ID == was.Check.ID {
			return console.CheckView{}, nil
		}
		if runs && now.Waiting != "ended" && now.Waiting != "wait" && (now.Step != was.Step || now.Waiting != was.Waiting) {
			return now, nil
		}
		if time.Now().After(limit) {
			return now, fmt.Errorf("the check of %s stays at step %d: %+v", balance, was.Step, now)
		}
	}
}

// off has a balance show each load with an error in tenths of a milligram.
func off(tenths func(step int) int) pan {
	return func(v console.CheckView) string {
		if v.Waiting == "zero" || v.Waiting == "lift" || v.Expected == "" || strings.HasPrefix(string(v.Expected), "0 ") {
			return "0.0000"
		}
		var whole, part int
		text := strings.TrimSuffix(string(v.Expected), " g")
		if n, _ := fmt.Sscanf(text, "%d.", &whole); n != 1 {
			return "0.0000"
		}
		if _, after, found := strings.Cut(text, "."); found {
			_, _ = fmt.Sscanf((after + "0000")[:4], "%d", &part)
		}
		return mass(whole*10000 + part + tenths(v.Step))
	}
}

func constant(tenths int) pan { return off(func(int) int { return tenths }) }

// registers puts the reference weights of the seed bank into the register: one is overdue, one withdrawn, one due soon.
func (l *lab) registers() {
	l.t.Helper()
	day := func(in int) string { return time.Now().AddDate(0, 0, in).Format(time.DateOnly) }
	put := func(id, nominal, class, conventional, uncertainty string, due int) {
		l.ask("PUT", "/api/v1/reference-weights/"+id, fmt.Sprintf(`{"set":"3","serial":"SB-W-17","nominal":%q,"class":%q,"conventional":%q,"uncertainty":%q,"k":"2","density_kg_m3":"7950","density_uncertainty_kg_m3":"140",
			"certificate":{"number":"K-2026-%s","by":"laboratory of weights, county town","date":%q,"due":%q},"reason":"new in the store"}`, nominal, class, conventional, uncertainty, id, day(due-365), day(due)), nil)
	}
	put("e2-3-20", "20 g", "E2", "20.000012 g", "0.000025 g", 211)
	put("e2-3-50", "50 g", "E2", "50.000021 g", "0.00003 g", 211)
	put("e2-3-100", "100 g", "E2", "100.000043 g", "0.00005 g", 12)
	put("e2-3-200", "200 g", "E2", "199.999947 g", "0.0001 g", -9)
	put("f2-1-2000", "2 kg", "F2", "2000.0071 g", "0.01 g", 140)
	put("f2-0-2000", "2 kg", "F2", "2000.0102 g", "0.01 g", -400)
	l.ask("DELETE", "/api/v1/reference-weights/f2-0-2000?reason=dropped", "", nil)
}

var all16 = []string{"e2-3-20", "e2-3-50", "e2-3-100", "e2-3-200"}

// checks gives b-16 its file: checks that drift, a step that was done again, the wrong weight, an adjustment with what it found and left, a
// certificate, and last a check that failed, with weighings that it throws doubt on. b-13 is in the middle of a check.
func (l *lab) checks() {
	l.t.Helper()
	l.registers()
	daily := console.CheckOrder{Definition: "daily", Why: record.CheckScheduled, Weights: all16}
	for _, tenths := range []int{1, -1, 0, 2, 1, 0, -1, 1, 1, 4, 6, 8} {
		l.checkRuns("b-16", daily, constant(tenths))
	}
	daily.Why = record.CheckAsFound
	l.checkRuns("b-16", daily, constant(9))
	daily.Why = record.CheckAsLeft
	l.checkRuns("b-16", daily, constant(0))
	file, _ := l.FitnessOf("b-16")
	l.ask("POST", "/api/v1/balances/b-16/upkeep", fmt.Sprintf(`{"act":"adjustment","as_found":%q,"as_left":%q,"note":"after three days of drift upwards"}`, file.Checks[1].Check.ID, file.Checks[0].Check.ID), nil)
	l.ask("POST", "/api/v1/balances/b-16/upkeep", fmt.Sprintf(`{"act":"calibration","no_as_found_because":"the certificate has it","calibration":{"number":"C-2026-0311","by":"laboratory of balances, county town","date":%q,"due":%q,"alpha":"0.00021 g","beta":"0.0000012","k":"2"}}`,
		time.Now().AddDate(0, 0, -40).Format(time.DateOnly), time.Now().AddDate(0, 0, 325).Format(time.DateOnly)), nil)
	daily.Why = record.CheckScheduled
	l.checkRuns("b-16", daily, constant(1))
	l.checkRuns("b-16", console.CheckOrder{Definition: "scatter", Weights: all16}, off(func(step int) int { return []int{0, 1, -1, 2, 0, 1}[step*7/3%6] }))
	l.checkRuns("b-16", console.CheckOrder{Definition: "corner-loads", Weights: all16}, off(func(step int) int { return step%4 - 1 }))
	l.checkRuns("b-16", console.CheckOrder{Definition: "whole-range", Weights: all16}, off(func(step int) int { return step * 5 / 2 }))
	for i := range 7 {
		l.ask("PUT", "/api/v1/balances/b-16/context", fmt.Sprintf(`{"person":{"id":"ada"},"sample":{"id":"LOT-%d"}}`, 1001+i%5), nil)
		l.prints("b-16", "W "+mass(25000+i*4711)+" g S\r\n", i+1)
	}
	l.failsLast(daily)
	l.halfway()
}

// failsLast is a daily check that fails: the wrong weight is put on first, and a reading is taken again.
func (l *lab) failsLast(daily console.CheckOrder) {
	l.t.Helper()
	wrong := false
	l.checkRuns("b-16", daily, func(v console.CheckView) string {
		if v.Waiting == "place" && !wrong {
			wrong = true
			return "49.9998"
		}
		return constant(17)(v)
	})
	file, _ := l.FitnessOf("b-16")
	if s := file.Fitness.State; s != record.OutOfService || len(file.Failures) != 1 {
		l.t.Fatalf("b-16 is %s after a failed check: %+v", s, file.Failures)
	}
}

// halfway leaves a check of b-13 where it waits for its weight.
func (l *lab) halfway() {
	l.t.Helper()
	l.checkRuns("b-13", console.CheckOrder{Definition: "store-round", Why: record.CheckScheduled, Weights: []string{"f2-1-2000"}}, func(v console.CheckView) string {
		if v.Waiting == "place" {
			return ""
		}
		return "0.00"
	})
}

// fitPlaces are the pages about fitness. c000020 is the check that failed.
func (l *lab) fitPlaces() []place {
	l.t.Helper()
	file, _ := l.FitnessOf("b-16")
	number := map[string]string{}
	for _, c := range file.Checks { // newest first
		at := c.Check.ID[strings.LastIndexByte(c.Check.ID, '/')+1:]
		if number[c.Check.Definition] == "" {
			number[c.Check.Definition] = at
		}
		if number[c.Outcome] == "" {
			number[c.Outcome] = at
		}
	}
	of := "/balances/b-16/"
	return []place{
		{name: "balance-out-of-service", path: "/balances/b-16"}, {name: "bench-out-of-service", path: "/bench/b-16", bare: true}, {name: "wall-out-of-service", path: "/wall/b-16", bare: true, rare: true},
		{name: "fitness", path: of + "fitness"}, {name: "fitness-due", path: "/balances/b-13/fitness", rare: true}, {name: "fitness-unknown", path: "/balances/b-12/fitness", rare: true},
		{name: "in-doubt", path: of + "failures/" + number[record.CheckFailed]},
		{name: "check-begin", path: "/bench/b-16/check", bare: true}, {name: "check-found", path: "/bench/b-16/check?ended=" + number["whole-range"], bare: true, rare: true},
		{name: "check-failed", path: "/bench/b-16/check?ended=" + number[record.CheckFailed], bare: true},
		{name: "check-running", path: "/bench/b-13/check", bare: true}, {name: "check-doubted", path: "/bench/b-13/check", bare: true, then: doubted},
		{name: "check-visitor", path: "/bench/b-16/check", signedOut: true, bare: true, rare: true},
		{name: "report-failed", path: of + "checks/" + number[record.CheckFailed]}, {name: "report-scatter", path: of + "checks/" + number["scatter"], rare: true},
		{name: "report-corners", path: of + "checks/" + number["corner-loads"], rare: true}, {name: "report-range", path: of + "checks/" + number["whole-range"], rare: true},
		{name: "balance-file", path: of + "file"}, {name: "status-label", path: of + "status-label"},
		{name: "weights", path: "/weights"}, {name: "weight-overdue", path: "/weights/e2-3-200"}, {name: "weight-withdrawn", path: "/weights/f2-0-2000", rare: true}, {name: "weight-labels", path: "/labels/weights"},
	}
}

// doubted has the wrong weight put on while the page is open.
func doubted(e *eyes) {
	e.T.Helper()
	if _, err := io.WriteString(e.l.lines["b-13"], "W 1000.01 g S\r\n"); err != nil {
		e.T.Fatal(err)
	}
	for limit := time.Now().Add(patience); !strings.Contains(e.Text(`document.querySelector("#asks:not([hidden])") ? document.getElementById("say").textContent : ""`), "1000.01"); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(limit) {
			e.T.Fatal("the page never asks about the wrong weight")
		}
	}
}

// chartByKeys: the arrow keys go from point to point of a chart, and what each holds is read out, is written below the
// chart, and stands in the table beside it.
func (e *eyes) chartByKeys(t *testing.T) {
	t.Helper()
	e.as(desk, false)
	e.look(place{path: "balances/b-16/fitness"})
	var said []string
	e.value(`(() => { const p = [...document.querySelectorAll("[data-chart]")].sort((a, b) => b.querySelectorAll("a.point").length - a.querySelectorAll("a.point").length)[0].querySelector("a.point[tabindex='0']"); p.closest("details").open = true; p.focus(); return [p.getAttribute("aria-label")]; })()`, &said)
	if len(said) != 1 || !strings.Contains(said[0], "0.00") || !strings.Contains(said[0], " g, ") {
		t.Errorf("the newest point says %q", said)
	}
	for _, key := range []string{"ArrowLeft", "ArrowLeft", "ArrowUp"} {
		for _, kind := range []string{"keyDown", "keyUp"} {
			e.Does("Input.dispatchKeyEvent", map[string]any{"type": kind, "key": key, "code": key})
		}
		var at []string
		e.value(`(() => { const p = document.activeElement, all = p.closest("[data-chart]"); return [p.getAttribute("aria-label"), all.querySelector(".read-out").textContent, p.getAttribute("href")]; })()`, &at)
		if at[0] == said[0] || at[0] == "" || at[0] != at[1] {
			t.Errorf("after %s a point says %q, below the chart stands %q", key, at[0], at[1])
		}
		var row string
		e.value(fmt.Sprintf(`[...document.querySelectorAll(".numbers a")].find((a) => a.getAttribute("href") === %q)?.closest("tr").textContent ?? ""`, at[2]), &row)
		if digits := between(at[0], ": ", ","); digits == "" || !strings.Contains(row, digits) {
			t.Errorf("the table has no %q: %q", digits, row)
		}
		said = at
	}
}

// between is what stands between two texts; "" where they are not there.
func between(s, from, to string) string {
	_, rest, found := strings.Cut(s, from)
	if !found {
		return ""
	}
	rest, _, _ = strings.Cut(rest, to)
	return rest
}
