package procedure

import (
	"encoding/json"
	"fmt"
	"math/big"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

var (
	ada   = record.Actor{ID: "ada", Name: "Ada", By: "signed-in"}
	ben   = record.Actor{ID: "ben", Name: "Ben", By: "signed-in"}
	start = time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC)
)

// lab is a run under test, with a clock and a journal of its own.
type lab struct {
	t     *testing.T
	def   *Definition
	begun *record.RunBegun
	run   *Run
	facts Facts
	now   time.Time
	seq   uint64
	log   []*record.RunStep // the entries, as a journal would give them back
	fresh bool              // the run is made anew of its entries after each one, and held against the one that went on
	did   []event           // what came to the run, so that it can come to another
}

// event is something that came to a run, with what the run makes of it. alter gives another weighing in place of one.
type event func(r *Run, alter func(*record.Weighing) *record.Weighing) []*record.RunStep

func (l *lab) acted(by record.Actor, a Act) {
	now, f := record.UTC(l.now), l.facts
	l.did = append(l.did, func(r *Run, _ func(*record.Weighing) *record.Weighing) []*record.RunStep {
		steps, _ := r.Act(a, by, now, f) // that an act is refused this time shows by what is missing
		return steps
	})
}

func (l *lab) passed() {
	now := record.UTC(l.now)
	l.did = append(l.did, func(r *Run, _ func(*record.Weighing) *record.Weighing) []*record.RunStep { return r.Pass(now) })
}

func (l *lab) given(w *record.Weighing) {
	f := l.facts
	l.did = append(l.did, func(r *Run, alter func(*record.Weighing) *record.Weighing) []*record.RunStep {
		return r.Weighed(alter(w), f)
	})
}

func parse(t *testing.T, text string) *Definition {
	t.Helper()
	d, err := Parse("p.yaml", []byte(text))
	if err != nil {
		t.Fatalf("the definition has mistakes:\n%v", err)
	}
	return d
}

// faulty parses a definition that has mistakes, and gives them.
func faulty(t *testing.T, text string) strict.Faults {
	t.Helper()
	_, err := Parse("p.yaml", []byte(text))
	faults, is := err.(strict.Faults)
	if !is {
		t.Fatalf("%v is no list of mistakes, for\n%s", err, text)
	}
	return faults
}

func rat(s string) *big.Rat {
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		panic(s)
	}
	return r
}

func begin(t *testing.T, text string, params map[string]string, items ...record.RunItem) *lab {
	t.Helper()
	l := &lab{t: t, def: parse(t, text), now: start, fresh: true}
	l.facts = Facts{Balance: record.Balance{ID: "b-1", Readability: "0.1 mg"}, Readability: rat("0.0001"), Capacity: rat("200")}
	l.begun = &record.RunBegun{Run: record.RunRef{ID: "r-7qx3-000001", Procedure: record.ProcedureRef{Name: l.def.Name, Version: 1, Hash: Hash([]byte(text))}},
		Balance: &l.facts.Balance, Items: items, Parameters: params, By: ada, Stamp: record.Stamp{UTC: record.UTC(start)}}
	var err error
	if l.run, err = Open(l.def, l.begun); err != nil {
		t.Fatal(err)
	}
	l.passed()
	l.put(l.run.Pass(record.UTC(l.now)))
	return l
}

// put records entries, and applies what a journal would give back.
func (l *lab) put(steps []*record.RunStep) {
	l.t.Helper()
	for _, e := range steps {
		l.seq++
		c := *e
		c.Seq, c.ID, c.Schema = l.seq, fmt.Sprintf("north-lab/7qx3/@/%06d", l.seq), c.Kind().Schema()
		c.Stamp.UTC = record.UTC(l.now)
		b, err := json.Marshal(&c)
		if err != nil {
			l.t.Fatal(err)
		}
		back := read(l.t, b)
		l.log = append(l.log, back)
		l.run.Apply(back)
		if l.fresh {
			l.same()
		}
	}
}

func read(t *testing.T, b []byte) *record.RunStep {
	t.Helper()
	e := &record.RunStep{}
	if err := json.Unmarshal(b, e); err != nil {
		t.Fatal(err)
	}
	return e
}

// same holds the run against one that is made of the entries alone.
func (l *lab) same() {
	l.t.Helper()
	anew, err := Open(l.def, l.begun)
	if err != nil {
		l.t.Fatal(err)
	}
	for _, e := range l.log {
		anew.Apply(e)
	}
	for _, pair := range [][2]any{{l.run.Next(l.facts), anew.Next(l.facts)}, {l.run.Found(), anew.Found()}, {l.run.Items(), anew.Items()}} {
		a, b := asJSON(l.t, pair[0]), asJSON(l.t, pair[1])
		if a != b {
			l.t.Fatalf("after %d entries the run is\n%s\nand made anew of them\n%s", len(l.log), a, b)
		}
	}
}

func asJSON(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func (l *lab) later(d time.Duration) *lab {
	l.now = l.now.Add(d)
	return l
}

// act does an act as Ada, which has to be done.
func (l *lab) act(a Act) []*record.RunStep {
	l.t.Helper()
	return l.actAs(ada, a)
}

func (l *lab) actAs(by record.Actor, a Act) []*record.RunStep {
	l.t.Helper()
	l.later(2 * time.Second)
	steps, err := l.run.Act(a, by, record.UTC(l.now), l.facts)
	if err != nil {
		l.t.Fatalf("%+v: %v", a, err)
	}
	l.acted(by, a)
	l.put(steps)
	return steps
}

// refused does an act that is refused, and leaves everything as it is.
func (l *lab) refused(by record.Actor, a Act, sentence string) {
	l.t.Helper()
	before := asJSON(l.t, l.run.Next(l.facts))
	steps, err := l.run.Act(a, by, record.UTC(l.now), l.facts)
	if err == nil || !strings.Contains(err.Error(), sentence) {
		l.t.Errorf("%+v: %d entries, %v; want %q", a, len(steps), err, sentence)
	}
	if _, is := err.(*record.NotDone); err != nil && !is {
		l.t.Errorf("%+v: the error is a %T", a, err)
	}
	if after := asJSON(l.t, l.run.Next(l.facts)); after != before {
		l.t.Errorf("%+v was refused, and changed\n%s\nto\n%s", a, before, after)
	}
}

// weighing makes one of the run's balance, of the item that is worked on.
func (l *lab) weighing(shown string) *record.Weighing {
	l.later(2 * time.Second)
	l.seq++
	digits, unit, _ := strings.Cut(shown, " ")
	w := &record.Weighing{Balance: l.facts.Balance, Stamp: record.Stamp{UTC: record.UTC(l.now)},
		Value: record.Value{Digits: digits, Unit: unit, PrintedUnit: unit, Kind: "gross", Stability: "stable", Range: "in"}}
	w.Seq, w.ID = l.seq, fmt.Sprintf("north-lab/7qx3/%s/%06d", w.Balance.ID, l.seq)
	if item := l.run.Next(l.facts).Item; item != nil && item.Sample != "" {
		w.Context.Sample = &record.Learnt{ID: item.Sample, By: "scanned"}
	}
	return w
}

func (l *lab) give(w *record.Weighing) []*record.RunStep {
	l.t.Helper()
	steps := l.run.Weighed(w, l.facts)
	l.given(w)
	l.put(steps)
	return steps
}

// weigh gives a weighing that has to be taken.
func (l *lab) weigh(shown string) *lab {
	l.t.Helper()
	steps := l.give(l.weighing(shown))
	for _, e := range steps {
		if e.Weighing != nil && e.Became != record.StepTaken {
			l.t.Fatalf("%s became %s: %s", shown, e.Became, e.Why)
		}
	}
	return l
}

// stopped gives a weighing that has to be stopped, with a sentence.
func (l *lab) stopped(w *record.Weighing, sentence string) {
	l.t.Helper()
	before := l.run.Next(l.facts)
	steps := l.give(w)
	if len(steps) != 1 || steps[0].Became != record.StepStopped || !strings.Contains(steps[0].Why, sentence) {
		l.t.Errorf("%s: %s; want it stopped with %q", w.Value.Shown(), asJSON(l.t, steps), sentence)
		return
	}
	after := l.run.Next(l.facts)
	if after.Note != steps[0].Why {
		l.t.Errorf("the note is %q", after.Note)
	}
	if after.Note, before.Note = "", ""; asJSON(l.t, after) != asJSON(l.t, before) {
		l.t.Errorf("a weighing that was stopped changed\n%s\nto\n%s", asJSON(l.t, before), asJSON(l.t, after))
	}
}

func (l *lab) waits(for_, step string) Instruction {
	l.t.Helper()
	n := l.run.Next(l.facts)
	if n.Waiting != for_ || n.Step != step {
		l.t.Fatalf("the run waits for %s at %q (%s %s), and not for %s at %q", n.Waiting, n.Step, n.Say, n.Explains, for_, step)
	}
	return n
}

// result is the only result of a name, as text.
func (l *lab) results(name string) (all []string) {
	for _, one := range l.run.Found().Results {
		if one.Name == name {
			all = append(all, strings.TrimSpace(one.Digits+" "+one.Unit+one.Text))
		}
	}
	return all
}
