package procedure

import (
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

const surroundings = `procedure: surroundings
title: Surroundings
about: nothing
steps:
- {step: room, do: environment, what: temperature, air: true, limits: {at_least: 18 Cel, at_most: 22 Cel, from: the method}, outside: note}
- {step: barometer, do: environment, what: pressure, air: true, unit: Pa, limits: {from: none is set}}
- {step: bath, do: environment, what: temperature, limits: {from: none is set}}
- {step: asked, do: ask, unit: Cel, limits: {from: none is set}}
results: [room, barometer, bath, asked]
`

// meter has a run's facts say what an instrument at its balance shows.
func (l *lab) meter(what, digits, unit string, at time.Time) *record.UTC {
	r := &record.AirReading{What: what, Digits: digits, Unit: unit, Instrument: "meter-3", At: record.UTC(at)}
	l.facts.Air = func(asked string) (*record.AirReading, string) {
		if asked != what {
			return nil, "No instrument has sent the " + asked + "."
		}
		return r, ""
	}
	return &r.At
}

// TestWhatAnInstrumentSentIsTaken: the value, its instrument and its time are in the entry, and it is judged as what is typed. Taken is only what was
// shown, only of the air, and only where there is something; after a refusal nothing is recorded.
func TestWhatAnInstrumentSentIsTaken(t *testing.T) {
	l := begin(t, surroundings, nil)
	refused := func(why string, a Act) {
		t.Helper()
		before := len(l.run.Entries())
		steps, err := l.run.Act(a, ada, record.UTC(l.now), l.facts)
		if err == nil || !strings.Contains(err.Error(), why) || len(steps) > 0 || len(l.run.Entries()) != before {
			t.Errorf("%v, %d entries; want %q", err, len(steps), why)
		}
	}
	takes := func(a Act) *record.RunStep {
		t.Helper()
		steps, err := l.run.Act(a, ada, record.UTC(l.now), l.facts)
		if err != nil {
			t.Fatal(err)
		}
		l.put(steps)
		return l.log[len(l.log)-1]
	}
	if n := l.run.Next(l.facts); n.Air != "temperature" || n.Waiting != ForAnswer {
		t.Fatalf("%+v", n)
	}
	seen := record.UTC(start.Add(-2 * time.Minute))
	refused("at no balance", Act{Read: &seen})
	l.meter("humidity", "45", "%", start)
	refused("No instrument has sent the temperature", Act{Read: &seen})
	now := l.meter("temperature", "22.10", "Cel", start.Add(-time.Minute))
	refused("showed 22.10 Cel", Act{Read: &seen})
	refused("2 acts", Act{Read: now, Answer: "22.1"})

	e := takes(Act{Read: now})
	if v := e.Value; v.How != "read" || v.Digits != "22.10" || v.Unit != "Cel" || v.Instrument != "meter-3" || v.ReadAt == nil || !v.ReadAt.Time().Equal(now.Time()) {
		t.Errorf("%+v", v)
	}
	if w := record.WorstOf(e.Verdicts); w != "failed" {
		t.Errorf("22.10 Cel, above 22 Cel: %s", w)
	}
	e = takes(Act{Read: l.meter("pressure", "1002.1", "hPa", start)})
	if v := e.Value; v.Digits != "1002.1" || v.Unit != "hPa" || v.How != "read" {
		t.Errorf("%+v", v)
	}
	now = l.meter("temperature", "21.0", "Cel", start)
	if n := l.run.Next(l.facts); n.Step != "bath" || n.Air != "" {
		t.Errorf("the bath is offered the air: %+v", n)
	}
	refused("not about the air", Act{Read: now})
	if e = takes(Act{Answer: "25.0"}); e.Value.How != "typed" || e.Value.Instrument != "" || e.Value.ReadAt != nil {
		t.Errorf("%+v", e.Value)
	}
	refused("not about the air", Act{Read: now})
	takes(Act{Answer: "25.0"})
	found := l.run.Found().Results
	if found[0].Verdict != "failed" || found[1].Digits != "1002.1" || found[2].Digits != "25.0" || found[2].Verdict != "not judged" {
		t.Errorf("%+v", found)
	}
}

// TestOnlyTheEnvironmentIsOfTheAir: the key air says nothing for another kind of step.
func TestOnlyTheEnvironmentIsOfTheAir(t *testing.T) {
	text := strings.Replace(surroundings, "do: ask, unit: Cel,", "do: ask, air: true, unit: Cel,", 1)
	if f := faulty(t, text); len(f) != 1 || !strings.Contains(f.Error(), "air") {
		t.Errorf("%v", f)
	}
}
