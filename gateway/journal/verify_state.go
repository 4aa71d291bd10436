package journal

import (
	"github.com/ncruces/go-sqlite3"

	"weighpost/gateway/proof"
)

// loadNotes reads the checkpoints that cover more than from and up to to entries, so that passed can hold each against the
// tree when it has grown that far.
func (v *verifier) loadNotes(from, to int64) {
	v.notes = map[uint64][]byte{}
	err := query(v.db, "SELECT seq, note FROM checkpoints WHERE seq > ? AND seq <= ?", []int64{from, to}, func(row *sqlite3.Stmt) error {
		v.report.Checkpoints++
		v.notes[uint64(row.ColumnInt64(0))] = row.ColumnBlob(1, nil)
		return nil
	})
	if err != nil {
		v.report.fault(0, FaultFile, "the checkpoints cannot be read: %v", err)
	}
}

// checkpoint checks one checkpoint, filed under the present size of the tree.
func (v *verifier) checkpoint(signed []byte) {
	r, at := &v.report, v.tree.size
	c, err := proof.Open(signed, v.keys.now)
	have, whole := v.tree.root()
	switch {
	case err != nil:
		r.fault(at, FaultCheckpoint, "the checkpoint does not hold: %v", err)
	case c.Size != at:
		r.fault(at, FaultCheckpoint, "the checkpoint of %d entries is filed under %d", c.Size, at)
	case !v.lives.of(c.Origin, at):
		r.fault(at, FaultCheckpoint, "the checkpoint is of %q, not of this journal", c.Origin)
	case whole && have != c.Root:
		r.fault(at, FaultCheckpoint, "the first %d entries are not those that were signed (tree hash differs)", at)
	case whole:
		r.Signed = at
	}
}

// finish checks what can only be checked at the end.
func (v *verifier) finish() {
	r := &v.report
	r.Entries = v.tree.size
	root, whole := v.tree.root()
	if whole && !v.lost {
		r.Root = root.String()
	}
	if v.lost {
		if len(v.held) > 0 {
			r.Elsewhere = "not looked at: the entries cannot be read to the end"
		}
		return
	}
	if v.head.incarnation != "" {
		if v.tree.size < v.head.seq {
			r.fault(v.tree.size+1, FaultMissing, "%d entries were acknowledged (file head), and journal.db ends with entry %d",
				v.head.seq, v.tree.size)
		}
		if v.head.incarnation != r.Incarnation && !v.lives.follows(v.head) {
			r.fault(0, FaultHead, "the file head is of incarnation %s, and journal.db of %s", v.head.incarnation, r.Incarnation)
		}
	}
	if r.Incarnation == "" || r.Origin == "" {
		r.fault(0, FaultState, "journal.db does not say which incarnation it is")
	}
	v.endLives()
	v.endKeys()
	if len(v.held) > 0 {
		v.endAgainst()
	}
	v.endTold()
	v.endSegments()
	v.ahead()
	v.tables()
}

// ahead finds checkpoints that cover more than there is.
func (v *verifier) ahead() {
	err := query(v.db, "SELECT seq FROM checkpoints WHERE seq > ? OR seq < 0", []int64{int64(v.tree.size)}, func(row *sqlite3.Stmt) error {
		v.report.Checkpoints++
		v.report.fault(0, FaultCheckpoint, "a checkpoint covers %d entries, and journal.db ends with entry %d", row.ColumnInt64(0), v.tree.size)
		return nil
	})
	if err != nil {
		v.report.fault(0, FaultFile, "the checkpoints cannot be read: %v", err)
	}
}

// tables holds numbers, cursors and parked entries against the entries, and looks for what does not belong there.
func (v *verifier) tables() {
	r := &v.report
	numbers := map[string]uint64{}
	each := func(sql string, f func(row *sqlite3.Stmt)) {
		err := query(v.db, sql, nil, func(row *sqlite3.Stmt) error { f(row); return nil })
		if err != nil {
			r.fault(0, FaultFile, "journal.db cannot be read: %v", err)
		}
	}
	each("SELECT balance, last FROM numbers", func(row *sqlite3.Stmt) {
		numbers[row.ColumnText(0)] = uint64(row.ColumnInt64(1))
	})
	if err := v.ids.checkNumbers(r.Incarnation, numbers, !v.ids.full); err != nil {
		r.fault(0, FaultState, "%v", err)
	}
	each("SELECT name, seq FROM cursors", func(row *sqlite3.Stmt) {
		if seq := row.ColumnInt64(1); seq < 0 || uint64(seq) > v.tree.size {
			r.fault(0, FaultState, "the cursor of %q is at %d, and journal.db ends with entry %d", row.ColumnText(0), seq, v.tree.size)
		}
	})
	each("SELECT cursor, seq, notice FROM parked", func(row *sqlite3.Stmt) {
		if seq, notice := row.ColumnInt64(1), row.ColumnInt64(2); seq < 1 || notice <= seq || uint64(notice) > v.tree.size {
			r.fault(0, FaultState, "an entry %d is parked for %q by entry %d, which cannot be", seq, row.ColumnText(0), notice)
		}
	})
	each("SELECT name, value FROM meta WHERE name GLOB '"+notePrefix+"*'", func(row *sqlite3.Stmt) {
		if n, ok := parseNoted(row.ColumnText(1)); !ok || n.seq > v.tree.size {
			r.fault(0, FaultState, "what is kept as %q cannot be", row.ColumnText(0))
		}
	})
	each(foreignObjects, func(row *sqlite3.Stmt) {
		r.fault(0, FaultState, "journal.db holds a %s %q that weighpost did not make", row.ColumnText(0), row.ColumnText(1))
	})
}
