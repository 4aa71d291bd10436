package runs

import (
	"errors"
	"maps"
	"slices"

	"weighpost/gateway/follow"
	"weighpost/gateway/record"
)

// FileName is what the room writes down beside the journal. It can be deleted at any time.
const FileName = "runs.json"

const snapshotForm = "weighpost.runs/1"

// snapshot is what was known once all entries up to a sequence were read.
type snapshot struct {
	follow.Mark
	Incarnation string           `json:"incarnation"`
	Number      uint64           `json:"number"`
	Procedures  map[string]*file `json:"procedures"`
	Open        []keptRun        `json:"open"` // in the order in which they began
	Ended       []*Ended         `json:"ended"`
	Strays      []stray          `json:"strays"`
	Requests    requestsKnown    `json:"requests"`
	Containers  containersKnown  `json:"containers"`
	Slips       slipsKnown       `json:"slips"`
}

// keptRun is an open run as its entries.
type keptRun struct {
	Begun *record.RunBegun   `json:"begun"`
	Steps []*record.RunStep  `json:"steps"`
	Due   []*record.Weighing `json:"due"`
}

// Whole says why what was read cannot be what was written.
func (s *snapshot) Whole() error {
	for name, f := range s.Procedures {
		if f == nil || f.Name != name || slices.Contains(f.Versions, nil) || f.Adopted < 0 || f.Adopted > len(f.Versions) {
			return errors.New("it holds a procedure that cannot be one")
		}
		for i, v := range f.Versions {
			if v.Name != name || v.ProcedureRef.Version != i+1 || v.Hash != HashOf(v.Source) {
				return errors.New("it holds a version of a procedure that is not as its hash says")
			}
		}
	}
	for _, o := range s.Open {
		if o.Begun == nil || slices.Contains(o.Steps, nil) || slices.Contains(o.Due, nil) {
			return errors.New("it holds a run that cannot be one")
		}
	}
	if s.Procedures == nil || slices.Contains(s.Ended, nil) {
		return errors.New("it holds a run that cannot be one")
	}
	return errors.Join(s.Containers.whole(), s.Slips.whole())
}

// give gives what is known.
func (r *Room) give() *snapshot {
	s := &snapshot{Incarnation: r.o.Incarnation, Number: r.number, Procedures: maps.Clone(r.procedures), Ended: slices.Clone(r.ended), Strays: slices.Clone(r.strays),
		Requests: r.requests, Containers: r.containers, Slips: r.slips}
	for _, o := range r.inOrder() {
		s.Open = append(s.Open, keptRun{o.begun, slices.Clone(o.steps), slices.Clone(o.due)})
	}
	return s
}

// take makes what was read what is known. A run whose steps do not lead anywhere is kept with what is wrong with it.
func (r *Room) take(s *snapshot) {
	r.blank()
	r.procedures, r.ended, r.strays = s.Procedures, s.Ended, s.Strays
	r.requests, r.containers, r.slips = s.Requests, s.Containers, s.Slips
	if s.Incarnation == r.o.Incarnation {
		r.number = s.Number
	}
	for _, e := range s.Ended {
		r.endedBy[e.ID] = e
	}
	for _, kept := range s.Open {
		o := r.reopen(kept.Begun)
		for _, step := range kept.Steps {
			o.apply(step)
		}
		o.due = kept.Due
		r.open[kept.Begun.Run.ID] = o
	}
	r.look()
}

// inOrder lists the open runs in the order in which they began.
func (r *Room) inOrder() []*openRun {
	return slices.SortedFunc(maps.Values(r.open), func(a, b *openRun) int {
		switch {
		case a.begun.Seq < b.begun.Seq:
			return -1
		case a.begun.Seq > b.begun.Seq:
			return 1
		}
		return 0
	})
}
