package gateway_test

import (
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

// TestACheckThatIsPulledAtFromAllSides: while the balance sends all the time, many begin a check at once, answer at once and want a step done again
// at once: one begins, one answers, and as many repeat as the definition allows. The weight is withdrawn before the last reading: what would have
// passed has no verdict. Each attempt is one entry.
func TestACheckThatIsPulledAtFromAllSides(t *testing.T) {
	t.Parallel()
	h, s := checkedHouse(t, streams)
	s.stream(t, h)
	ada, bob := record.Actor{ID: "ada", By: record.ActorHost}, record.Actor{ID: "bob", By: record.ActorHost}
	crowd := func(what func(by record.Actor) error) (done int32) {
		var n atomic.Int32
		var all sync.WaitGroup
		for i := range 8 {
			all.Go(func() {
				if what([]record.Actor{ada, bob}[i%2]) == nil {
					n.Add(1)
				}
			})
		}
		all.Wait()
		return n.Load()
	}
	act := func(a console.CheckAct) func(record.Actor) error {
		return func(by record.Actor) error { _, err := h.ActOnCheck(t.Context(), "b-1", a, by); return err }
	}
	s.pan.Store(50000) // something lies on the pan: the empty pan is not taken meanwhile
	if n := crowd(func(by record.Actor) error {
		_, err := h.BeginCheck(t.Context(), "b-1", console.CheckOrder{Definition: "daily", Weights: []string{"f1-20"}}, by)
		return err
	}); n != 1 {
		t.Fatalf("%d checks began at once", n)
	}
	if n := crowd(act(console.CheckAct{Answer: "yes"})); n != 1 {
		t.Fatalf("%d answers were taken", n)
	}
	until(t, func() bool { v, _ := h.check(t); return strings.Contains(v.Note, "has to be empty") }, "nothing is said of what lies on the pan")
	s.pan.Store(0)
	h.checkWaits(t, 3, "place")
	s.pan.Store(100_000) // far from 20 g and from an empty pan
	if n := crowd(act(console.CheckAct{Repeat: "somebody leant on the table"})); n > 1 {
		t.Fatalf("the empty pan was taken again %d times, and once is allowed", n)
	}
	if _, err := h.WithdrawWeight(t.Context(), "f1-20", "dropped", ada); err != nil {
		t.Fatal(err)
	}
	s.pan.Store(0)
	h.checkWaits(t, 3, "place")
	s.pan.Store(20001)
	r := h.ended(t)
	if r.Ended.Outcome != record.CheckAborted || !strings.Contains(r.Ended.Reason, "withdrawn") || len(r.Ended.Results) != 0 {
		t.Errorf("%+v", r.Ended)
	}
	seen := map[string]bool{}
	for _, step := range r.Steps {
		key := step.Name + step.Became + string(rune('0'+step.Attempt))
		if seen[key] {
			t.Errorf("twice: %+v", step)
		}
		seen[key] = true
	}
	if v, _ := h.FitnessOf("b-1"); v.Fitness.State == record.InService {
		t.Errorf("%+v", v.Fitness)
	}
	h.stop(t)
}
