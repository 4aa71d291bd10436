package fitness

import (
	"errors"
	"maps"
	"slices"

	"weighpost/gateway/follow"
	"weighpost/gateway/record"
)

// FileName is what the room writes down beside the journal. It can be deleted at any time.
const FileName = "fitness.json"

const snapshotForm = "weighpost.fitness/2" // 1 did not know the order of what was done

// snapshot is what was known once all entries up to a sequence were read.
type snapshot struct {
	follow.Mark
	Weights map[string]*KnownWeight `json:"weights"`
	Files   map[string]*file        `json:"files"`
}

// begin makes what was written down what is known.
func (r *Room) begin(s *snapshot) {
	r.weights, r.files = s.Weights, s.Files
	clear(r.shown)
}

// snapshot is what is to be written down. What the maps hold changes in reduce alone.
func (r *Room) snapshot() *snapshot {
	return &snapshot{Weights: maps.Clone(r.weights), Files: maps.Clone(r.files)}
}

// Whole says with an error why a snapshot cannot be one that was written.
func (s *snapshot) Whole() error {
	if s.Weights == nil || s.Files == nil || len(s.Weights) > MostWeights {
		return errors.New("it has another form")
	}
	for id, w := range s.Weights {
		if w == nil || w.ID != id {
			return errors.New("it holds a weight that cannot be one")
		}
	}
	for _, one := range s.Files {
		if one == nil || !one.whole() {
			return errors.New("it holds a balance that cannot be one")
		}
	}
	return nil
}

// whole says whether a file that was read can be one that was written: a hole in it would be found when nobody can help any more.
func (f *file) whole() bool {
	states := []string{record.InService, record.CheckDue, record.CheckOverdue, record.OutOfService, record.InCheck, record.FitnessUnknown}
	if !slices.Contains(states, f.State) || f.Number < 0 || slices.Contains(f.Checks, nil) || slices.Contains(f.Upkeep, nil) || slices.Contains(f.Failures, nil) {
		return false
	}
	if f.Running != nil && (f.Running.Begun == nil || slices.Contains(f.Running.Steps, nil)) {
		return false
	}
	return f.Calibrated == nil || f.Calibrated.Calibration != nil
}
