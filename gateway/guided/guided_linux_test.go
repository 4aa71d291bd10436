package guided

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/needs/chromium"
	"weighpost/gateway/record"
)

// found is what a check has to find: what the balance shows with an empty pan and with the weight, in thousandths of a gram, and what comes of
// it, worked out by hand: (load − zero) − 20.00002 g, to one digit more than d, half to even; 3 mg is the warning limit, 5 mg the limit.
type found struct {
	zero, load            int
	value, exact, outcome string
}

var (
	well   = found{0, 20001, "0.0010 g", "0.00098", record.CheckPassed}
	warned = found{0, 20004, "0.0040 g", "0.00398", record.CheckWarned}
	failed = found{1, 20010, "0.0090 g", "0.00898", record.CheckFailed}
	left   = found{2, 20000, "-0.0020 g", "-0.00202", record.CheckPassed}
)

// kinds are the balances, with how a check knows that each has come to rest.
var kinds = []struct{ id, settled string }{{"b-poll", "answers to polls"}, {"b-print", "print key"}, {"b-stream", "stream"}}

// TestAGuidedCheckFromBeginToEnd: on a balance that is asked, one with a print key and one that sends all the time, at the page of the bench.
func TestAGuidedCheckFromBeginToEnd(t *testing.T) {
	l := newLab(t)
	s := sitDown(t, l)
	for _, k := range kinds {
		t.Run(k.id, func(t *testing.T) {
			s.For(t)
			b := &guided{l, s, l.scales[k.id], k.id, k.settled, 0}
			b.nobodyWithoutTheRight()
			b.noOverdueWeight()
			b.asksAndPasses()
			b.warns()
			b.wrongWeight()
			b.cablePulled()
			b.weighed(0)
			if k.id == "b-print" {
				b.weighs(1000, 5)
			}
			b.fails()
			if k.id == "b-print" {
				b.isJudgedAndPutBack()
				b.isAdjusted()
			}
		})
	}
	for _, e := range s.Said {
		t.Error("a script: ", e)
	}
}

// guided is one balance that is checked, and whoever sits before its screen.
type guided struct {
	*lab
	s       *seat
	scale   *scale
	id      string
	settled string
	checks  int // begun so far
}

func (b *guided) page() string { return "bench/" + b.id + "/check" }

func (b *guided) number() string { return fmt.Sprintf("c%06d", b.checks) }

// begins chooses a check and the weight at the page, and begins it. The pan is empty: a balance that tells by itself shows that at once.
func (b *guided) begins(check string, zero int) {
	b.s.T.Helper()
	b.scale.puts(zero)
	b.s.Visit(b.page())
	b.s.Click(`input[name="check"][value="` + check + `"]`)
	if b.s.Text(`String(document.querySelector('input[value="f1-20"]').checked)`) != "true" {
		b.s.Click(`input[value="f1-20"]`)
	}
	if b.checks == 0 {
		b.s.shoot(b.id + "-choose")
	}
	b.s.Sends("#begin button.large")
	b.checks++
	b.s.Until(`document.getElementById("check").dataset.runs`, b.number())
}

// step waits until the page is at a step and waits for something.
func (b *guided) step(n int, says string) {
	b.s.T.Helper()
	b.s.Shows("#number", fmt.Sprintf("Step %d of ", n))
	b.s.Shows("#say", says)
}

// measures goes through the two loads from a step on, and waits for the outcome at the page.
func (b *guided) measures(first int, f found) {
	b.s.T.Helper()
	b.zeroes(first, f.zero)
	b.step(first+1, "Place 20 g, F1, set 3")
	b.s.Shows("#taken", fmt.Sprintf("0.%03d g", f.zero))
	b.scale.rests(f.load)
	b.ends(f)
}

// zeroes has the empty pan taken.
func (b *guided) zeroes(step, zero int) {
	b.s.T.Helper()
	if b.id == "b-print" {
		b.step(step, "Take everything off the pan")
		b.s.Shows("#print-key", "press the print key of the balance")
		b.scale.prints(zero)
	}
}

// ends waits for what the page says of the check, and holds what the journal has against what had to be found.
func (b *guided) ends(f found) {
	b.s.T.Helper()
	word := map[string]string{record.CheckPassed: "passed", record.CheckWarned: "passed with a warning", record.CheckFailed: "FAILED"}[f.outcome]
	b.s.Until("location.search", "ended="+b.number())
	b.s.Shows(".outcome", word)
	b.s.Shows(".results", f.value, "0.005 g", "warning from 0.003 g", "the lab's own tolerance")
	list := all[record.CheckEnded](b.lab, record.KindCheckEnded)
	e := list[len(list)-1]
	if e.Check.ID != b.id+"/"+b.number() || e.Outcome != f.outcome || len(e.Results) != 1 || e.By.ID != "ada" {
		b.s.T.Fatalf("the journal has %+v", e)
	}
	if r := e.Results[0]; r.Value != f.value || r.Exact != f.exact || r.Verdict != f.outcome || r.Limit != "0.005 g" || r.Warn != "0.003 g" {
		b.s.T.Errorf("the check found %+v, and it had to be %+v", r, f)
	}
}

// attempt is what has to stand in the journal of one attempt: what the balance showed, and what became of it.
type attempt struct {
	step, shown int // shown: in thousandths of a gram; -1: it is an answer
	became      string
}

// attempts holds the steps of the last check against what the balance showed.
func (b *guided) attempts(want ...attempt) {
	b.s.T.Helper()
	var got []record.CheckStep
	for _, one := range all[record.CheckStep](b.lab, record.KindCheckStep) {
		if one.Check.ID == b.id+"/"+b.number() {
			got = append(got, one)
		}
	}
	if len(got) != len(want) {
		b.s.T.Fatalf("the journal has %d attempts, want %d: %+v", len(got), len(want), got)
	}
	for i, w := range want {
		g := got[i]
		if g.Step != w.step || g.Became != w.became {
			b.s.T.Errorf("attempt %d is %+v, want %+v", i, g, w)
		}
		if w.shown < 0 {
			continue
		}
		if digits := fmt.Sprintf("%d.%03d", w.shown/1000, w.shown%1000); g.Value.Digits != digits || string(g.Frame) != string(line(w.shown)) || g.Settled != b.settled {
			b.s.T.Errorf("attempt %d holds %s %q %s, and the balance showed %s", i, g.Value.Digits, g.Frame, g.Settled, digits)
		}
	}
}

// weighed holds how many weighings the balance recorded: no reference weight is taken for a sample.
func (b *guided) weighed(want int) {
	b.s.T.Helper()
	n := 0
	for _, w := range all[record.Weighing](b.lab, record.KindWeighing) {
		if w.Balance.ID == b.id {
			n++
		}
	}
	if n != want {
		b.s.T.Errorf("%d weighings are recorded, want %d", n, want)
	}
}

// nobodyWithoutTheRight: the page says who may, and the API does nothing.
func (b *guided) nobodyWithoutTheRight() {
	b.s.T.Helper()
	for _, who := range []string{"bert", ""} {
		b.s.is(who)
		b.s.Visit(b.page())
		b.s.Shows("#check", "Whoever has the right to check this balance begins a check here")
		b.s.Lacks("#begin")
		if who == "bert" {
			b.s.shoot(b.id + "-no-right")
			b.ask(who, 403, "POST", "balances/"+b.id+"/check", map[string]any{"check": "quick", "weights": []string{"f1-20"}}, nil)
			b.s.Visit("balances/" + b.id + "/fitness")
			b.s.Lacks("form[data-send]")
			for path, body := range map[string]map[string]any{"out-of-service": {"reason": "a test"}, "upkeep": {"act": "move"}, "check/act": {"stop": "a test"}} {
				b.ask(who, 403, "POST", "balances/"+b.id+"/"+path, body, nil)
			}
		}
	}
	b.s.is("ada")
	for _, e := range all[record.CheckBegun](b.lab, record.KindCheckBegun) {
		if e.Balance.ID == b.id {
			b.s.T.Errorf("a check was begun: %+v", e)
		}
	}
}

// noOverdueWeight: the page offers it to nobody, and says why; the API refuses it.
func (b *guided) noOverdueWeight() {
	b.s.T.Helper()
	b.s.Visit(b.page())
	b.s.Until(`document.querySelector('input[value="f1-20-old"]').disabled`, "true")
	b.s.Until(`document.querySelector('input[value="f1-20-old"]').closest("label").innerText`, "its certificate was due on 2024-01-15")
	said := b.ask("ada", 409, "POST", "balances/"+b.id+"/check", map[string]any{"check": "quick", "weights": []string{"f1-20-old"}}, nil)
	if !strings.Contains(said, "2024-01-15") {
		b.s.T.Errorf("the API says %s", said)
	}
}

// asksAndPasses: a question by a key, and a check that passes.
func (b *guided) asksAndPasses() {
	b.s.T.Helper()
	b.begins("daily", 0)
	b.step(1, "Does the balance stand level?")
	b.s.shoot(b.id + "-question")
	time.Sleep(600 * time.Millisecond) // the calm after a new question, in which no key answers it
	b.s.Keys(chromium.Enter)
	if b.id == "b-print" {
		b.step(2, "Take everything off the pan")
		b.s.shoot(b.id + "-zero")
	}
	b.zeroes(2, 0)
	b.step(3, "Place 20 g, F1, set 3")
	b.s.shoot(b.id + "-place")
	b.scale.rests(20001)
	b.ends(well)
	b.s.shoot(b.id + "-passed")
	time.Sleep(1500 * time.Millisecond) // the weight lies there for a while yet: longer than a load has to be still to be weighed
	b.scale.puts(0)
	b.attempts(attempt{1, -1, record.AttemptAnswered}, attempt{2, 0, record.AttemptTaken}, attempt{3, 20001, record.AttemptTaken})
}

func (b *guided) warns() {
	b.s.T.Helper()
	b.begins("quick", 0)
	b.measures(1, warned)
	b.s.shoot(b.id + "-warned")
	b.attempts(attempt{1, 0, record.AttemptTaken}, attempt{2, 20004, record.AttemptTaken})
	b.s.Shows(".fit", "in service")
}

// wrongWeight: 10 g in place of 20 g. It is asked for, and not taken; and with 18 g the person says that it is right, so that the check fails.
func (b *guided) wrongWeight() {
	b.s.T.Helper()
	b.begins("quick", 0)
	b.zeroes(1, 0)
	b.step(2, "Place 20 g")
	b.scale.rests(10000)
	b.step(2, "The balance shows 10.000 g, and about 20 g was expected. Is the right weight on the pan?")
	b.s.shoot(b.id + "-wrong-weight")
	b.s.Shows("#asks", "No, another goes on")
	time.Sleep(600 * time.Millisecond)
	b.s.Keys(chromium.Escape)
	b.step(2, "Lift the weight off")
	b.s.shoot(b.id + "-lift")
	if b.scale.kind != "b-print" {
		b.scale.puts(0)
		b.s.Shows("#say", "Place 20 g")
		b.s.Until(`document.getElementById("say").innerText.includes("Lift")`, "false")
	}
	b.scale.rests(20001)
	b.ends(well)
	b.attempts(attempt{1, 0, record.AttemptTaken}, attempt{2, 10000, record.AttemptDoubted}, attempt{2, 20001, record.AttemptTaken})
}

// cablePulled: between the two loads, with the weight half on. It says so, and goes on with the step once the cable is back.
func (b *guided) cablePulled() {
	b.s.T.Helper()
	b.begins("quick", 0)
	b.zeroes(1, 0)
	b.step(2, "Place 20 g")
	b.scale.pull()
	b.s.Shows("#note", "cannot be heard")
	b.s.shoot(b.id + "-cable-pulled")
	b.scale.puts(20001)
	b.scale.plug()
	b.s.Until(`document.getElementById("note")?.hidden ?? true`, "true")
	if b.id == "b-print" {
		b.waitFor("the port", func() bool { return b.portUp() })
		time.Sleep(300 * time.Millisecond) // of silence: the line is heard from its beginning
	}
	b.scale.rests(20001)
	b.ends(well)
	b.attempts(attempt{1, 0, record.AttemptTaken}, attempt{2, 20001, record.AttemptTaken})
}

func (b *guided) portUp() bool {
	for _, one := range b.Balances() {
		if one.ID == b.id {
			return one.PortUp
		}
	}
	return false
}

// fails: the balance is out of service, and every page says so.
func (b *guided) fails() {
	b.s.T.Helper()
	b.begins("quick", failed.zero)
	b.measures(1, failed)
	b.s.shoot(b.id + "-failed")
	b.attempts(attempt{1, 1, record.AttemptTaken}, attempt{2, 20010, record.AttemptTaken})
	b.s.Shows(".fit.bad", "OUT OF SERVICE")
	if b.id != "b-print" {
		return // the pages are the same
	}
	for _, page := range []string{"", "bench/" + b.id, "balances/" + b.id, "balances/" + b.id + "/fitness", "balances/" + b.id + "/status-label", "balances/" + b.id + "/file", "wall", "due", b.page()} {
		b.s.Visit(page)
		b.s.Until(`document.body.innerText.toLowerCase()`, b.id, "out of service")
	}
}
