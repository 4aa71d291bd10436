package journal

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"github.com/ncruces/go-sqlite3"
)

// maxSavedNotes is how many of the newest checkpoints a Snapshot holds. Each covers all that the ones before it covered, so
// that older ones show nothing more; at one a minute this is a week of uninterrupted weighing.
const maxSavedNotes = 10000

// Snapshot is what a journal holds beside its entries, at one signed size: with the entries 1 to Size it is all that there is
// to a journal but its key.
type Snapshot struct {
	Site        string `json:"site"`
	Incarnation string `json:"incarnation"`
	Origin      string `json:"origin"` // name of the tree in its checkpoints
	Size        uint64 `json:"size"`   // entries that Checkpoint covers
	// Checkpoint is the signed note (C2SP tlog-checkpoint) of the first Size entries.
	Checkpoint []byte `json:"checkpoint"`
	// Checkpoints are the newest of those up to Size, oldest first; Older counts those that are left out.
	Checkpoints []SavedNote `json:"checkpoints"`
	Older       uint64      `json:"older_checkpoints,omitempty"`
	// Numbers are those last given to each balance up to Size, in this incarnation.
	Numbers map[string]uint64 `json:"numbers"`
	// Cursors say up to where each reader has everything: never more than Size. After a crash some come again.
	Cursors map[string]uint64 `json:"cursors"`
	Goals   map[string]string `json:"goals"` // cursor → what Settle was told that it is for
	// Notes are what readers keep beside their cursors, as Remember was told, each with the sequence that it came with in front.
	Notes map[string]string `json:"notes,omitempty"`
	// Keys are the public keys by the entry that put each in force, the first by 0. Empty where an older weighpost did not note
	// the first, and it is still in force.
	Keys   map[uint64]string `json:"keys,omitempty"`
	Parked []SavedParked     `json:"parked"`
	// Segments are the sealed spans of entries up to Size. A backup holds their entries with all others.
	Segments []SavedSegment `json:"segments"`
}

// SavedNote is a checkpoint and how many entries it covers.
type SavedNote struct {
	Size uint64 `json:"size"`
	Note []byte `json:"note"`
}

// SavedParked is an entry that was set aside for a reader.
type SavedParked struct {
	Cursor string `json:"cursor"`
	Entry  uint64 `json:"entry"`
	Notice uint64 `json:"notice"` // the entry that says so
}

// SavedSegment is a sealed span of entries, and the file that it was in.
type SavedSegment struct {
	First  uint64 `json:"first"`
	Last   uint64 `json:"last"`
	Name   string `json:"name"`
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
}

// Snapshot signs the head, if it moved since the last checkpoint, and gives the state at that size. Recording goes on
// meanwhile. While recording is stopped the state is as of the last acknowledged entry, and the checkpoint, if one had to be
// made, is not in the journal.
func (j *Journal) Snapshot(ctx context.Context) (Snapshot, error) {
	a, err := j.ask(ctx, &request{sign: true, state: true})
	if errors.Is(err, ErrStopped) {
		return j.snapshotStopped(ctx)
	}
	if err != nil {
		return Snapshot{}, err
	}
	s := Snapshot{Site: j.o.Site, Incarnation: j.inc, Size: a.seq, Checkpoint: a.note, Numbers: a.numbers, Origin: a.origin, Parked: a.parked}
	j.mu.Lock()
	s.Cursors, s.Goals, s.Notes = maps.Clone(j.cursors), maps.Clone(j.goals), savedNotes(j.notes, s.Size)
	j.mu.Unlock()
	return s, j.withReader(func(db *sqlite3.Conn) error { return s.fill(ctx, db) })
}

// snapshotStopped reads the state without the writer, which cannot write: it must be exactly what was acknowledged.
func (j *Journal) snapshotStopped(ctx context.Context) (s Snapshot, err error) {
	err = j.withReader(func(db *sqlite3.Conn) error {
		if err := db.Exec("BEGIN"); err != nil {
			return err
		}
		defer db.Exec("ROLLBACK")
		at, err := load(db)
		if err != nil {
			return err
		}
		if head := j.Head(); at.edge.size != head {
			return fmt.Errorf("%w: what was written last is not known to be recorded (entry %d after %d): try again when recording "+
				"works", ErrStopped, at.edge.size, head)
		}
		signed, err := j.signedHead(&at)
		if err != nil {
			return err
		}
		s = snapshotOf(&at, signed)
		return s.fill(ctx, db)
	})
	return s, err
}

// signedHead gives the checkpoint of a state, and makes it if there is none of that size.
func (j *Journal) signedHead(at *state) ([]byte, error) {
	if at.note != nil && at.signed == at.edge.size {
		return at.note, nil
	}
	return signHead(j.keyInForce(), at.origin, &at.edge)
}

// SnapshotDir gives the state of a journal that nobody has open. The checkpoint is made with the key beside it where the last
// one covers less than there is; nothing is written.
func SnapshotDir(ctx context.Context, dir string) (Snapshot, error) {
	dir = folder(dir)
	if held(dir) {
		return Snapshot{}, fmt.Errorf("the journal in %s is in use by %s: ask that one", dir, holder(in(dir, lockName)))
	}
	d := osDisk{}
	at, _, _, err := inspect(ctx, d, dir, len(steps))
	if err != nil {
		return Snapshot{}, err
	}
	key, _, err := findKey(d, dir, &at)
	if err != nil {
		return Snapshot{}, err
	}
	signed, err := (&Journal{key: key}).signedHead(&at)
	if err != nil {
		return Snapshot{}, err
	}
	db, err := openLook(d, in(dir, dbName))
	if err != nil {
		return Snapshot{}, fmt.Errorf("the journal in %s cannot be read: %w", dir, err)
	}
	s := snapshotOf(&at, signed)
	return s, errors.Join(s.fill(ctx, db), db.Close())
}

func snapshotOf(at *state, signed []byte) Snapshot {
	var site string
	if part := strings.Split(at.origin, "/"); len(part) == 3 { // weighpost/SITE/INCARNATION
		site = part[1]
	}
	return Snapshot{Site: site, Incarnation: at.incarnation, Origin: at.origin, Size: at.edge.size, Checkpoint: signed,
		Numbers: at.numbers, Cursors: at.cursors, Goals: at.goals, Notes: savedNotes(at.notes, at.edge.size)}
}

// fill adds what is never altered once it is written, as far as Size.
func (s *Snapshot) fill(ctx context.Context, db *sqlite3.Conn) error {
	for name, seq := range s.Cursors {
		s.Cursors[name] = min(seq, s.Size)
	}
	size := int64(min(s.Size, math.MaxInt64))
	s.Checkpoints, s.Segments = []SavedNote{}, []SavedSegment{}
	err := query(db, "SELECT count(*) FROM checkpoints WHERE seq <= ?", []int64{size}, func(row *sqlite3.Stmt) error {
		s.Older = uint64(max(0, row.ColumnInt64(0)-maxSavedNotes))
		return nil
	})
	if err != nil {
		return err
	}
	err = query(db, "SELECT seq, note FROM checkpoints WHERE seq <= ? ORDER BY seq DESC LIMIT ?", []int64{size, maxSavedNotes},
		func(row *sqlite3.Stmt) error {
			s.Checkpoints = append(s.Checkpoints, SavedNote{uint64(row.ColumnInt64(0)), row.ColumnBlob(1, nil)})
			return ctx.Err()
		})
	if err != nil {
		return err
	}
	slices.Reverse(s.Checkpoints)
	if s.Keys, err = keyRows(db, s.Size); err != nil {
		return err
	}
	if err := s.fillSegments(db); err != nil {
		return err
	}
	if s.Parked == nil { // nobody writes: a writer gives what was parked at that size, since that changes
		s.Parked, err = savedParked(db, s.Size)
	}
	return err
}

// fillSegments adds the sealed spans. A journal that an older weighpost left behind has no table of them.
func (s *Snapshot) fillSegments(db *sqlite3.Conn) error {
	if v, err := version(db); err != nil || v < segmentsSince {
		return err
	}
	list, err := segments(db, "WHERE sealed <= ? ORDER BY first", int64(min(s.Size, math.MaxInt64)))
	for _, x := range list {
		s.Segments = append(s.Segments, SavedSegment{First: x.First, Last: x.Last, Name: x.File, Bytes: x.Bytes, SHA256: x.SHA256})
	}
	return err
}

// withReader calls f with a connection of its own that reads what was committed.
func (j *Journal) withReader(f func(db *sqlite3.Conn) error) error {
	j.gate.RLock()
	defer j.gate.RUnlock()
	if j.closed {
		return ErrClosed
	}
	j.read.mu.RLock()
	defer j.read.mu.RUnlock()
	db, err := openReader(j.o.disk, in(j.o.Dir, dbName))
	if err != nil {
		return fmt.Errorf("reading journal.db: %w", err)
	}
	return errors.Join(f(db), db.Close())
}
