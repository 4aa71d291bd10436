package fitness

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"

	"weighpost/gateway/record"
)

// FileName is what the room writes down beside the journal. It can be deleted at any time.
const FileName = "fitness.json"

const (
	snapshotForm = "weighpost.fitness/2" // 1 did not know the order of what was done
	mostSnapshot = 256 << 20             // bytes
)

// snapshot is what was known once all entries up to a sequence were read.
type snapshot struct {
	Form    string                  `json:"form"`
	Seq     uint64                  `json:"seq"`
	ID      string                  `json:"id"` // of the entry with that sequence, by which another journal is told
	Weights map[string]*KnownWeight `json:"weights"`
	Files   map[string]*file        `json:"files"`
}

// load begins with what was written down last, where it belongs to this journal. Whatever is wrong with it, the journal is read instead.
func (r *Room) load(ctx context.Context) {
	s, err := readSnapshot(filepath.Join(r.o.Dir, FileName))
	if err == nil {
		err = r.belongs(ctx, s)
	}
	if err != nil {
		if !errors.Is(err, fs.ErrNotExist) {
			r.o.Log.Info("what was written down of the fitness of balances is of no use, so it is read from the journal", "why", err)
		}
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.weights, r.files, r.seq, r.id = s.Weights, s.Files, s.Seq, s.ID
	close(r.moved)
	r.moved = make(chan struct{})
}

func readSnapshot(path string) (s snapshot, err error) {
	f, err := os.Open(path)
	if err != nil {
		return s, err
	}
	defer f.Close()
	if err := json.NewDecoder(io.LimitReader(f, mostSnapshot)).Decode(&s); err != nil {
		return s, fmt.Errorf("it cannot be read: %w", err)
	}
	if s.Form != snapshotForm || s.Weights == nil || s.Files == nil || len(s.Weights) > MostWeights {
		return s, errors.New("it has another form")
	}
	for id, w := range s.Weights {
		if w == nil || w.ID != id {
			return s, errors.New("it holds a weight that cannot be one")
		}
	}
	for _, one := range s.Files {
		if one == nil || !one.whole() {
			return s, errors.New("it holds a balance that cannot be one")
		}
	}
	return s, nil
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

// belongs says with an error that a snapshot is of another journal.
func (r *Room) belongs(ctx context.Context, s snapshot) error {
	if s.Seq == 0 || s.Seq > r.o.Journal.Head() {
		return errors.New("it is of another journal, or of a longer one")
	}
	entries, err := r.o.Journal.Read(ctx, s.Seq-1, 1)
	if err == nil && (len(entries) == 0 || entries[0].Seq != s.Seq || entries[0].ID != s.ID) {
		err = errors.New("it is of another journal")
	}
	return err
}

// save writes down what is known. It is no loss where that fails.
func (r *Room) save() {
	r.mu.Lock()
	if !r.changed || r.seq == 0 {
		r.mu.Unlock()
		return
	}
	s := snapshot{Form: snapshotForm, Seq: r.seq, ID: r.id, Weights: maps.Clone(r.weights), Files: maps.Clone(r.files)}
	r.changed = false
	r.mu.Unlock()
	// What the maps hold changes in learn alone, which the same goroutine calls: intakes need not wait until all of it is written.
	b, err := json.Marshal(s)
	if err == nil {
		err = write(r.o.Dir, b)
	}
	if err != nil {
		r.mu.Lock()
		r.changed = true
		r.mu.Unlock()
		r.o.Log.Warn("what is known of the fitness of balances could not be written down: the next start reads the journal instead", "err", err)
	}
}

func write(dir string, b []byte) error {
	f, err := os.CreateTemp(dir, FileName+".*.tmp")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // where it was not renamed
	_, err = f.Write(b)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(f.Name(), filepath.Join(dir, FileName))
}
