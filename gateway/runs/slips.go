package runs

import (
	"fmt"
	"slices"

	"weighpost/gateway/record"
)

// Limits on slips.
const (
	mostSlips     = 2000 // that are known by heart. Older ones that were decided are found in the journal, and no run takes them any more
	mostUndecided = 500  // that nobody has decided
)

// slipsKnown are the weighings that were typed in from their slips.
type slipsKnown struct {
	All []*slip `json:"all"` // in the order of the journal
}

type slip struct {
	Entered *record.LateEntered `json:"entered"`
	Decided *record.LateDecided `json:"decided,omitempty"`
	UsedIn  string              `json:"used_in,omitempty"` // the run with a step that counts and rests on it
}

func newSlips() slipsKnown { return slipsKnown{} }

// whole says why what was read cannot be what was written.
func (k slipsKnown) whole() error {
	for _, s := range k.All {
		if s == nil || s.Entered == nil || s.Entered.ID == "" {
			return fmt.Errorf("it holds a slip that cannot be one")
		}
	}
	return nil
}

// of finds a slip by the id of its entry, or gives nil.
func (k slipsKnown) of(entry string) *slip {
	for i := len(k.All) - 1; i >= 0; i-- {
		if k.All[i].Entered.ID == entry {
			return k.All[i]
		}
	}
	return nil
}

// lateEntered takes an entry that a slip was typed in.
func (r *Room) lateEntered(l *record.LateEntered) error {
	r.slips.All = append(r.slips.All, &slip{Entered: l})
	if len(r.slips.All) > mostSlips {
		old := max(0, slices.IndexFunc(r.slips.All, func(s *slip) bool { return s.Decided != nil }))
		r.slips.All = slices.Delete(r.slips.All, old, old+1)
	}
	return nil
}

// lateDecided takes an entry that a second person confirmed a slip or turned it down. The first one holds.
func (r *Room) lateDecided(d *record.LateDecided) error {
	s := r.slips.of(d.Entered.ID)
	if s == nil || s.Decided != nil {
		return fmt.Errorf("no slip %.200s waits for whoever decides", d.Entered.ID)
	}
	s.Decided = d
	return nil
}

// slipUsed looks at a step of a run for whether it rests on a slip: each is used once, and is free again where the step is replaced.
func (r *Room) slipUsed(step *record.RunStep) {
	if step.Weighing == nil {
		return
	}
	s := r.slips.of(step.Weighing.ID)
	switch {
	case s == nil:
	case step.Became == record.StepTaken:
		s.UsedIn = step.Run.ID
	case step.Became == record.StepReplaced && s.UsedIn == step.Run.ID:
		s.UsedIn = ""
	}
}

// late gives a slip that was typed in and confirmed, or says why it cannot be used. The view is locked.
func (r *Room) late(entry string) (*record.LateEntered, error) {
	s := r.slips.of(entry)
	switch {
	case s == nil:
		return nil, record.ErrNoSlip
	case s.Decided == nil:
		return nil, fmt.Errorf("it waits for a second person, who holds it against its picture or the paper")
	case !s.Decided.Confirmed:
		return nil, fmt.Errorf("%s turned it down", s.Decided.By.Shown())
	case s.UsedIn != "":
		return nil, fmt.Errorf("it is used already, in the run %s", s.UsedIn)
	}
	return s.Entered, nil
}

// The states of a slip.
const (
	SlipWaiting    = "waiting"
	SlipConfirmed  = "confirmed"
	SlipTurnedDown = "turned down"
)

// KnownSlip is a slip as it stands. What it points to does not change.
type KnownSlip struct {
	Entered *record.LateEntered
	Decided *record.LateDecided // nil: it waits
	UsedIn  string
}

// State is one of the words above.
func (s *KnownSlip) State() string {
	switch {
	case s.Decided == nil:
		return SlipWaiting
	case s.Decided.Confirmed:
		return SlipConfirmed
	}
	return SlipTurnedDown
}

// Slip gives one of them by the id of its entry.
func (r *Room) Slip(entry string) (KnownSlip, bool) {
	r.view.Lock()
	defer r.view.Unlock()
	s := r.slips.of(entry)
	if s == nil {
		return KnownSlip{}, false
	}
	return KnownSlip{s.Entered, s.Decided, s.UsedIn}, true
}

// SlipsAsked says which slips are wanted.
type SlipsAsked struct {
	State, Balance, Sample string // "": all
	Limit                  int    // 0: none
}

// Slips lists slips, newest first.
func (r *Room) Slips(q SlipsAsked) (list []KnownSlip) {
	r.view.Lock()
	defer r.view.Unlock()
	for _, s := range slices.Backward(r.slips.All) {
		one := KnownSlip{s.Entered, s.Decided, s.UsedIn}
		of := s.Entered.Context.Sample
		if q.State != "" && one.State() != q.State || q.Balance != "" && s.Entered.Balance.ID != q.Balance || q.Sample != "" && (of == nil || of.ID != q.Sample) {
			continue
		}
		if list = append(list, one); len(list) == q.Limit {
			break
		}
	}
	return list
}
