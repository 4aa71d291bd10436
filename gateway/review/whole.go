package review

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"

	"weighpost/gateway/record"
)

// whole is a run as its entries say it in full.
type whole struct {
	entries     []record.Entry // those that a signature covers
	begun       *record.RunBegun
	ended       *record.RunEnded
	steps       []*record.RunStep
	weighings   map[string]*record.Weighing // by the id of their entry; results too
	slips       map[string]*record.LateEntered
	corrections []*record.RunCorrected
	acts        []*record.RunReview
	signatures  []*record.Signature
}

// wholeOf reads a run. An entry that cannot be read is an error: nothing is decided upon a part of a run.
func (r *Room) wholeOf(ctx context.Context, u *run) (*whole, error) {
	w := &whole{weighings: map[string]*record.Weighing{}, slips: map[string]*record.LateEntered{}}
	for _, seq := range u.Entries {
		e, err := r.read(ctx, seq)
		if err == nil {
			w.entries = append(w.entries, e)
			err = w.take(e)
		}
		if err != nil {
			return nil, err
		}
	}
	if w.begun == nil {
		return nil, fmt.Errorf("the beginning of the run %s is not among its entries", u.Run.ID)
	}
	for _, one := range u.Weighed { // slips, where they are of no run in particular
		if e, err := r.read(ctx, one.Seq); err != nil {
			return nil, err
		} else if e.Kind == record.KindLateEntered && w.slips[e.ID] == nil {
			if err := w.take(e); err != nil {
				return nil, err
			}
		}
	}
	return w, nil
}

func (w *whole) take(e record.Entry) error {
	switch e.Kind {
	case record.KindRunBegun:
		return add(e, func(b *record.RunBegun) { w.begun = b })
	case record.KindRunEnded:
		return add(e, func(b *record.RunEnded) { w.ended = b })
	case record.KindRunStep:
		return add(e, func(s *record.RunStep) { w.steps = append(w.steps, s) })
	case record.KindWeighing, record.KindResult:
		return add(e, func(one *record.Weighing) { w.weighings[e.ID] = one })
	case record.KindLateEntered:
		return add(e, func(l *record.LateEntered) { w.slips[e.ID] = l })
	case record.KindRunCorrected:
		return add(e, func(c *record.RunCorrected) { w.corrections = append(w.corrections, c) })
	case record.KindRunReviewed:
		return add(e, func(a *record.RunReview) { w.acts = append(w.acts, a) })
	case record.KindSignature:
		return add(e, func(s *record.Signature) { w.signatures = append(w.signatures, s) })
	}
	return nil
}

func add[T any](e record.Entry, take func(*T)) error {
	one := new(T)
	if err := json.Unmarshal(e.JSON, one); err != nil {
		return fmt.Errorf("entry %d cannot be read: %w", e.Seq, err)
	}
	take(one)
	return nil
}

// results are those of the run as it stands.
func (w *whole) results() []record.RunResult {
	if n := len(w.corrections); n > 0 {
		return w.corrections[n-1].Results
	}
	if w.ended == nil {
		return []record.RunResult{}
	}
	return w.ended.Results
}

// excluded are the weighings that are not used.
func (w *whole) excluded() []record.EntryRef {
	if n := len(w.corrections); n > 0 {
		return w.corrections[n-1].Excluded
	}
	return nil
}

// worked is what was worked out anew, before the next correction.
func (w *whole) worked() []record.Reworked {
	if n := len(w.corrections); n > 0 {
		return w.corrections[n-1].Worked
	}
	return nil
}

// uses are the steps that used a weighing or a slip.
func (w *whole) uses(id string) (list []*record.RunStep) {
	for _, s := range w.steps {
		if s.Became == record.StepTaken && s.Weighing != nil && s.Weighing.ID == id {
			list = append(list, s)
		}
	}
	return list
}

// resultsOf are the results of a run as it stands.
func (r *Room) resultsOf(ctx context.Context, u *run) ([]record.RunResult, error) {
	w, err := r.wholeOf(ctx, u)
	if err != nil {
		return nil, err
	}
	return w.results(), nil
}

// Results gives the results of a run as they stand, and whether they are other than those that it found first: then alone it reads them.
func (r *Room) Results(ctx context.Context, id string) (results []record.RunResult, corrected bool, err error) {
	u, err := r.copyOf(id)
	if err != nil {
		return nil, false, err
	}
	for _, flag := range correctFlags {
		corrected = corrected || slices.Contains(u.Flags, flag)
	}
	if corrected {
		results, err = r.resultsOf(ctx, u)
	}
	return results, corrected, err
}
