package journal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"github.com/ncruces/go-sqlite3"

	"weighpost/gateway/record"
)

// noteReleased notes which entries a held-released entry lets go, unless an earlier one did. It follows from the entries alone, so
// that a journal that is built from a backup has it again.
func (s *store) noteReleased(e record.Entry) error {
	if e.Kind != record.KindHeldReleased {
		return nil
	}
	var body struct {
		Entries []record.EntryRef `json:"entries"`
	}
	if err := json.Unmarshal(e.JSON, &body); err != nil {
		return fmt.Errorf("entry %d, which releases others, cannot be read: %w", e.Seq, err)
	}
	stmt, _, err := s.db.Prepare("INSERT OR IGNORE INTO released(seq, notice) VALUES(?, ?)")
	if err != nil {
		return err
	}
	defer stmt.Close()
	for _, ref := range body.Entries {
		if ref.Seq == 0 || ref.Seq >= e.Seq {
			continue // an entry cannot release what came after it
		}
		if err := errors.Join(stmt.BindInt64(1, int64(ref.Seq)), stmt.BindInt64(2, int64(e.Seq)), stmt.Exec()); err != nil {
			return err
		}
	}
	return nil
}

// Released gives, for each of the entries, the sequence of the first held-released entry that names it: 0 where there is none.
func (j *Journal) Released(ctx context.Context, seqs []uint64) (notices []uint64, err error) {
	head := j.Head()
	err = j.withReader(func(db *sqlite3.Conn) error {
		stmt, _, err := db.Prepare("SELECT notice FROM released WHERE seq = ?")
		if err != nil {
			return err
		}
		defer stmt.Close()
		for _, seq := range seqs {
			if err := errors.Join(ctx.Err(), stmt.BindInt64(1, int64(seq))); err != nil {
				return err
			}
			notice := uint64(0)
			if stmt.Step() {
				notice = uint64(stmt.ColumnInt64(0))
			}
			if err := errors.Join(stmt.Err(), stmt.Reset()); err != nil {
				return err
			}
			if notice > head {
				notice = 0 // not acknowledged
			}
			notices = append(notices, notice)
		}
		return nil
	})
	return notices, err
}
