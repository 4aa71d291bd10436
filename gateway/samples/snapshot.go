package samples

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"weighpost/gateway/record"
)

// FileName is what the room writes down beside the journal. It can be deleted at any time.
const FileName = "samples.json"

const (
	snapshotForm = "weighpost.samples/1"
	mostSnapshot = 256 << 20 // bytes
)

// snapshot is what was known once all entries up to a sequence were read.
type snapshot struct {
	Form    string     `json:"form"`
	Seq     uint64     `json:"seq"`
	ID      string     `json:"id"` // of the entry with that sequence, by which another journal is told
	Samples []*sample  `json:"samples"`
	Weighed []weighing `json:"weighed"`
}

type weighing struct {
	Balance string     `json:"balance"`
	Sample  string     `json:"sample"`
	At      record.UTC `json:"at"`
}

// load begins with what was written down last, where it belongs to this journal. Whatever is wrong with it, the journal is read instead.
func (r *Room) load(ctx context.Context) {
	s, err := readSnapshot(filepath.Join(r.o.Dir, FileName))
	if err == nil {
		err = r.belongs(ctx, s)
	}
	if err != nil {
		if !errors.Is(err, fs.ErrNotExist) {
			r.o.Log.Info("what was written down of samples is of no use, so they are read from the journal", "why", err)
		}
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, one := range s.Samples {
		r.known[one.ID] = one
	}
	for _, w := range s.Weighed {
		r.weighed[pair{w.Balance, w.Sample}] = w.At.Time()
	}
	r.seq, r.id = s.Seq, s.ID
	close(r.moved)
	r.moved = make(chan struct{})
}

func readSnapshot(path string) (s snapshot, err error) {
	f, err := os.Open(path)
	if err != nil {
		return s, err
	}
	defer f.Close()
	d := json.NewDecoder(io.LimitReader(f, mostSnapshot))
	if err := d.Decode(&s); err != nil {
		return s, fmt.Errorf("it cannot be read: %w", err)
	}
	if s.Form != snapshotForm || len(s.Samples) > Most || len(s.Weighed) > mostWeighed {
		return s, fmt.Errorf("it has another form")
	}
	for _, one := range s.Samples {
		if one == nil || one.Check() != nil || one.Seq > s.Seq {
			return s, fmt.Errorf("it holds a sample that cannot be one")
		}
	}
	return s, nil
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
	s := snapshot{Form: snapshotForm, Seq: r.seq, ID: r.id}
	for _, one := range r.known {
		s.Samples = append(s.Samples, one)
	}
	oldest := time.Now().Add(-remembered)
	for key, at := range r.weighed {
		if at.After(oldest) {
			s.Weighed = append(s.Weighed, weighing{key.balance, key.sample, record.UTC(at)})
		}
	}
	r.changed = false
	r.mu.Unlock() // a sample that was announced is never altered, only replaced
	if err := write(r.o.Dir, s); err != nil {
		r.o.Log.Warn("what is known of samples could not be written down: the next start reads the journal instead", "err", err)
	}
}

func write(dir string, s snapshot) error {
	f, err := os.CreateTemp(dir, FileName+".*.tmp")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // where it was not renamed
	err = errors.Join(json.NewEncoder(f).Encode(s), f.Sync(), f.Close())
	if err != nil {
		return err
	}
	return os.Rename(f.Name(), filepath.Join(dir, FileName))
}
