package follow

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// mostSnapshot is how large a file may be that is read, in bytes.
const mostSnapshot = 256 << 20

// Mark opens every snapshot: which form it has, and what it was known of. Only the view fills it.
type Mark struct {
	Form string `json:"form"`
	Seq  uint64 `json:"seq"`
	ID   string `json:"id"` // of the entry with that sequence, by which another journal is told
}

func (m *Mark) mark() *Mark { return m }

// Snapshot is what was known once all entries up to a sequence were read. Implementations are pointers to structs that embed Mark first.
type Snapshot interface {
	mark() *Mark
	// Whole says with an error why what was read cannot be what was written: a hole in it would be found when nobody can help any more.
	Whole() error
}

// File is where a view writes down what is known, and how. Keep makes one.
type File struct {
	name, form string
	most       int64 // bytes
	blank      func() Snapshot
	take       func(Snapshot)
	give       func() Snapshot
}

// Keep is a file beside the journal that holds snapshots of one type. form names the type with its version, as in weighpost.fitness/2: a
// file of any other form is not read. take makes what was read what is known, before any entry is; give gives what is known. Both are
// called with the view locked. What give gives is encoded after that, in the goroutine that reduces: what it points to may change in
// Reduce alone.
func Keep[S any, P interface {
	*S
	Snapshot
}](name, form string, take func(P), give func() P) File {
	return File{name: name, form: form, most: mostSnapshot,
		blank: func() Snapshot { return P(new(S)) },
		take:  func(s Snapshot) { take(s.(P)) },
		give:  func() Snapshot { return give() }}
}

// load begins with what was written down last, where it belongs to this journal. Whatever is wrong with it, the journal is read instead.
func (v *View) load(ctx context.Context) {
	f := v.o.File
	if f.blank == nil {
		return
	}
	s := f.blank()
	err := f.read(v.o.Dir, s)
	if err == nil {
		err = v.belongs(ctx, s.mark())
	}
	if err != nil {
		if !errors.Is(err, fs.ErrNotExist) {
			v.o.Log.Info(v.o.Words.useless(), "why", err)
		}
		return
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	f.take(s)
	v.seq.Store(s.mark().Seq)
	v.id = s.mark().ID
	close(v.moved)
	v.moved = make(chan struct{})
}

func (f File) read(dir string, s Snapshot) error {
	file, err := os.Open(filepath.Join(dir, f.name))
	if err != nil {
		return err
	}
	defer file.Close()
	if err := json.NewDecoder(io.LimitReader(file, f.most)).Decode(s); err != nil {
		return fmt.Errorf("it cannot be read: %w", err)
	}
	if s.mark().Form != f.form {
		return errors.New("it has another form")
	}
	return s.Whole()
}

// belongs says with an error that a snapshot is of another journal.
func (v *View) belongs(ctx context.Context, m *Mark) error {
	if m.Seq == 0 || m.Seq > v.o.Journal.Head() {
		return errors.New("it is of another journal, or of a longer one")
	}
	entries, err := v.o.Journal.Read(ctx, m.Seq-1, 1)
	if err == nil && (len(entries) == 0 || entries[0].Seq != m.Seq || entries[0].ID != m.ID) {
		err = errors.New("it is of another journal")
	}
	return err
}

// save writes down what is known, where something of it is new. It is no loss where that fails.
func (v *View) save() {
	f := v.o.File
	v.mu.Lock()
	if f.give == nil || !v.changed || v.Seq() == 0 {
		v.mu.Unlock()
		return
	}
	s := f.give()
	*s.mark() = Mark{Form: f.form, Seq: v.Seq(), ID: v.id}
	v.changed = false
	v.mu.Unlock() // whoever asks what is known need not wait until all of it is written
	if err := f.write(v.o.Dir, s); err != nil {
		v.mu.Lock()
		v.changed = true
		v.mu.Unlock()
		v.o.Log.Warn(v.o.Words.unwritten(), "err", err)
	}
}

func (f File) write(dir string, s Snapshot) error {
	file, err := os.CreateTemp(dir, f.name+".*.tmp")
	if err != nil {
		return err
	}
	defer os.Remove(file.Name()) // where it was not renamed
	if err = errors.Join(json.NewEncoder(file).Encode(s), file.Sync(), file.Close()); err != nil {
		return err
	}
	return os.Rename(file.Name(), filepath.Join(dir, f.name))
}
