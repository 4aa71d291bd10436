package journal

import (
	"context"
	"errors"
	"fmt"

	"github.com/ncruces/go-sqlite3"

	"weighpost/gateway/record"
)

// Cursor gives the sequence up to which a reader has everything: 0 for one that never set its cursor.
func (j *Journal) Cursor(name string) (uint64, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.cursors[name], nil
}

// SetCursor notes up to where a reader has everything. It is written with the next commit, within two seconds when there is
// none, or at Close: after a crash the reader may meet some entries again. A cursor cannot be ahead of Head.
func (j *Journal) SetCursor(name string, seq uint64) error {
	if err := checkCursor(name); err != nil {
		return err
	}
	if head := j.Head(); seq > head {
		return fmt.Errorf("the cursor of %s cannot be set to %d: the journal ends with entry %d", name, seq, head)
	}
	return j.writeLater(func() { j.cursors[name], j.moved[name] = seq, true })
}

// writeLater notes, under j.mu, what the writer takes along with the next commit, or within two seconds when there is none.
func (j *Journal) writeLater(note func()) error {
	j.gate.RLock()
	defer j.gate.RUnlock()
	if j.closed {
		return ErrClosed
	}
	j.mu.Lock()
	note()
	j.mu.Unlock()
	select {
	case j.nudge <- struct{}{}:
	default:
	}
	return nil
}

// Parked is an entry that a destination refused for good.
type Parked = record.SetAside

// Park sets an entry aside for a reader: in one commit it appends the body that says so, remembers the entry among the
// parked, and moves the reader's cursor past it. Errors are those of Append.
func (j *Journal) Park(ctx context.Context, name string, e record.Entry, body *record.Parked) error {
	if err := checkCursor(name); err != nil {
		return err
	}
	if e.Seq == 0 || e.Seq > j.Head() {
		return fmt.Errorf("entry %d cannot be parked for %s: the journal ends with entry %d", e.Seq, name, j.Head())
	}
	_, err := j.ask(ctx, &request{bodies: []record.Body{body}, park: &parkOrder{cursor: name, seq: e.Seq}})
	return err
}

// Parked lists what is set aside for a reader, oldest first.
func (j *Journal) Parked(name string) ([]Parked, error) {
	j.gate.RLock()
	defer j.gate.RUnlock()
	if j.closed {
		return nil, ErrClosed
	}
	j.read.mu.RLock()
	defer j.read.mu.RUnlock()
	db, err := openReader(j.o.disk, in(j.o.Dir, dbName))
	if err != nil {
		return nil, fmt.Errorf("reading journal.db: %w", err)
	}
	var list []Parked
	head := j.Head()
	err = query(db, "SELECT cursor, seq, notice FROM parked ORDER BY seq", nil, func(row *sqlite3.Stmt) error {
		p := Parked{Entry: uint64(row.ColumnInt64(1)), Notice: uint64(row.ColumnInt64(2))}
		if row.ColumnText(0) == name && p.Notice <= head {
			list = append(list, p)
		}
		return nil
	})
	return list, errors.Join(err, db.Close())
}

func checkCursor(name string) error {
	if name == "" || len(name) > 128 {
		return fmt.Errorf("a cursor's name has 1 to 128 bytes, not %d", len(name))
	}
	return nil
}

func (j *Journal) cursor(name string) uint64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.cursors[name]
}

// takeMoved gives the cursors that are to be written.
func (j *Journal) takeMoved() map[string]uint64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	moved := make(map[string]uint64, len(j.moved))
	for name := range j.moved {
		moved[name] = j.cursors[name]
	}
	clear(j.moved)
	return moved
}

// giveBack marks cursors that could not be written.
func (j *Journal) giveBack(moved map[string]uint64) {
	j.mu.Lock()
	defer j.mu.Unlock()
	for name := range moved {
		if _, set := j.cursors[name]; set {
			j.moved[name] = true
		}
	}
}

// passed moves a cursor that a parked entry moved.
func (j *Journal) passed(name string, seq uint64) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.cursors[name] = max(j.cursors[name], seq)
}
