package gateway_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

const surroundings = `procedure: surroundings
title: Surroundings
about: nothing
steps:
- {step: room, do: environment, what: temperature, air: true, limits: {at_least: 18 Cel, at_most: 22 Cel, from: the method}}
- {step: bath, do: environment, what: temperature, limits: {at_least: 20 Cel, at_most: 30 Cel, from: the method}}
results: [room, bath]
`

// meterSends has the instrument of b-1, which has no place of its own, say what it shows.
func (h *house) meterSends(t *testing.T, digits, at string, want int) {
	t.Helper()
	if at != "" {
		at = `, "at": "` + at + `"`
	}
	h.ask(t, "PUT", "environment/b-1", `{"instrument": "meter-3", "temperature": {"digits": "`+digits+`", "unit": "Cel"}`+at+`}`, want, nil)
}

// TestAStepTakesWhatAnInstrumentSent: what is sent leaves no entry, and is offered to the step that is about the air, and to no other. Taken is what was
// shown, or nothing; what is too old is not offered, and the value is typed.
func TestAStepTakesWhatAnInstrumentSent(t *testing.T) {
	h, _ := runHouse(t, "")
	h.ask(t, "POST", "procedures", `{"text": `+asJSON(surroundings)+`, "reason": "needed", "by": "ben"}`, 200, nil)
	h.ask(t, "POST", "procedures/surroundings/versions/1/decide", `{"change": "adopted", "reason": "read", "by": "ada"}`, 200, nil)
	var v console.RunView
	h.ask(t, "POST", "runs", `{"procedure": "surroundings", "balance": "b-1", "by": "ada"}`, 200, &v)
	run := v.ID
	if v.Next.Offers != nil || !strings.Contains(v.Next.NoOffer, "No instrument has sent the temperature at b-1") {
		t.Fatalf("%+v", v.Next)
	}
	stands := func() (v console.RunView) {
		t.Helper()
		h.ask(t, "GET", "runs/"+run, "", 200, &v)
		return v
	}
	long := time.Now().Add(-11 * time.Minute).UTC()
	h.meterSends(t, "21.30", long.Format(time.RFC3339), 200)
	if v = stands(); v.Next.Offers != nil || !strings.Contains(v.Next.NoOffer, "11 min old, and 10 min is the most") {
		t.Fatalf("%+v", v.Next)
	}
	h.acts(t, run, `{"read": "`+long.Format(time.RFC3339)+`"}`, "ada", 409)
	h.meterSends(t, "213.0", "", 422)
	h.meterSends(t, "21.30", time.Now().Add(time.Minute).UTC().Format(time.RFC3339), 422)
	h.ask(t, "PUT", "environment/b-99", `{"instrument": "meter-3", "temperature": {"digits": "21", "unit": "Cel"}}`, 404, nil)

	h.meterSends(t, "21.30", "", 200)
	first := stands().Next.Offers
	h.meterSends(t, "21.40", "", 200)
	if first == nil || first.Digits != "21.30" || first.Instrument != "meter-3" {
		t.Fatalf("%+v", first)
	}
	h.acts(t, run, fmt.Sprintf(`{"read": "%s"}`, first.At), "ada", 409)
	now := stands()
	if len(now.Steps) != 0 || now.Next.Offers.Digits != "21.40" || now.Seq != v.Seq {
		t.Fatalf("something was recorded: %+v", now)
	}
	v = h.acts(t, run, fmt.Sprintf(`{"read": "%s"}`, now.Next.Offers.At), "ada", 200)
	s := v.Steps[0]
	if s.Value.How != "read" || s.Value.Digits != "21.40" || s.Value.Instrument != "meter-3" || !s.Value.ReadAt.Time().Equal(now.Next.Offers.At.Time()) || record.WorstOf(s.Verdicts) != "passed" {
		t.Errorf("%+v", s.Value)
	}
	if v.Next.Step != "bath" || v.Next.Offers != nil || v.Next.NoOffer != "" {
		t.Errorf("the bath: %+v", v.Next)
	}
	h.acts(t, run, fmt.Sprintf(`{"read": "%s"}`, now.Next.Offers.At), "ada", 409)
	v = h.acts(t, run, `{"answer": "25.0"}`, "ada", 200)
	if v.State != record.RunComplete || v.Verdict != "passed" || v.Steps[1].Value.How != "typed" || v.Steps[0].Value.Instrument != "meter-3" {
		t.Errorf("%+v", v)
	}
	t.Logf("%s: %s %s, %s by %s at %s; %s %s, %s", run, s.Value.Digits, s.Value.Unit, s.Value.How, s.Value.Instrument, s.Value.ReadAt, v.Steps[1].Value.Digits, v.Steps[1].Value.Unit, v.Steps[1].Value.How)
	h.stop(t)
}
