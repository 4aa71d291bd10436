package checks

import (
	"fmt"

	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
)

// Replay takes the attempts that were recorded of a check before it was cut off, in their order, so that it goes on where it was. A step
// that was under way begins again.
func (r *Run) Replay(steps []*record.CheckStep) error {
	for _, e := range steps {
		i := e.Step - 1
		if i < 0 || i >= len(r.steps) || r.steps[i].name != e.Name {
			return fmt.Errorf("entry %s is of step %d, %s, and the check as it is now has no such step", e.ID, e.Step, e.Name)
		}
		a, err := attemptOf(e)
		if err != nil {
			return err
		}
		r.tries[i] = max(r.tries[i], e.Attempt)
		switch e.Became {
		case record.AttemptTaken, record.AttemptAnswered:
			if e.Answer == No {
				r.stopped = "answered no: " + r.steps[i].say
				continue
			}
			if a.Grams == nil && r.steps[i].kind != asking {
				return fmt.Errorf("entry %s is of a reading, and holds none", e.ID)
			}
			r.count(i, a)
			r.at = i
			r.next()
		case record.AttemptReplaced:
			if a.Grams == nil {
				return fmt.Errorf("entry %s is of a reading, and holds none", e.ID)
			}
			delete(r.taken, i)
			r.undone[i] = a
			r.repeated[i]++
			r.at, r.leaving = i, nil
			if r.steps[i].kind == placing {
				r.leaving = a.Grams
			}
		}
	}
	return nil
}

func attemptOf(e *record.CheckStep) (*Attempt, error) {
	a := &Attempt{Step: e.Step, Number: e.Attempt, Name: e.Name, Became: e.Became, Weights: e.Weights, Expected: e.Expected, Value: e.Value, Frame: e.Frame,
		Settled: e.Settled, Answer: e.Answer, Reason: e.Reason}
	if e.Value == nil {
		return a, nil
	}
	x, ok := metrology.ParseNumber(e.Value.Digits)
	if !ok {
		return nil, fmt.Errorf("entry %s holds %q where digits should be", e.ID, e.Value.Digits)
	}
	g, err := metrology.Grams(x, e.Value.Unit)
	if err != nil {
		return nil, fmt.Errorf("entry %s: %w", e.ID, err)
	}
	a.Grams = g
	return a, nil
}

// Entry writes an attempt as an entry. Who, when, which balance and check are for the caller to fill in.
func (a Attempt) Entry() record.CheckStep {
	return record.CheckStep{Step: a.Step, Name: a.Name, Attempt: a.Number, Became: a.Became, Weights: a.Weights, Expected: a.Expected, Value: a.Value, Frame: a.Frame,
		Settled: a.Settled, Answer: a.Answer, Reason: a.Reason}
}
