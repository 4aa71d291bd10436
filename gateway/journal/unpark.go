package journal

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/ncruces/go-sqlite3"

	"weighpost/gateway/record"
)

// mostUnparked is how many parked entries one request is about at most: it is one transaction, which others wait for.
const mostUnparked = 1000

// unparkOrder ends that entries are parked or, with again, has them stay so by another notice.
type unparkOrder struct {
	cursor string
	seqs   []uint64
	again  bool
	notice uint64 // given at append, with again
}

// NotParked is the error of an act about an entry that is not parked, or no longer.
type NotParked struct {
	Cursor string
	Seq    uint64
}

func (n *NotParked) Error() string {
	return fmt.Sprintf("entry %d is not set aside for %s, or no longer", n.Seq, n.Cursor)
}

// Unpark ends that entries are parked for a reader; with the bodies, if there are any, that is one commit. With bodies an entry that
// is not parked is an error, *NotParked, and nothing is done; without, it is what is wanted. At most 1,000 entries. Other errors are
// those of Append.
func (j *Journal) Unpark(ctx context.Context, name string, seqs []uint64, bodies ...record.Body) error {
	return j.unpark(ctx, &request{bodies: bodies, unpark: &unparkOrder{cursor: name, seqs: seqs}})
}

// ParkAgain appends the body, and makes it the notice of entries that are parked already, in one commit. Errors are those of Unpark.
func (j *Journal) ParkAgain(ctx context.Context, name string, seqs []uint64, body record.Body) error {
	return j.unpark(ctx, &request{bodies: []record.Body{body}, unpark: &unparkOrder{cursor: name, seqs: seqs, again: true}})
}

func (j *Journal) unpark(ctx context.Context, r *request) error {
	if err := checkCursor(r.unpark.cursor); err != nil {
		return err
	}
	if n := len(r.unpark.seqs); n == 0 || n > mostUnparked {
		return fmt.Errorf("an act about parked entries names 1 to %d of them, not %d", mostUnparked, n)
	}
	_, err := j.ask(ctx, r)
	return err
}

// missing finds an entry that an act is about and that is not parked by what is committed and by what the draft has before.
func (w *writer) missing(d *draft, r *request) error {
	if r.unpark == nil || len(r.bodies) == 0 {
		return nil
	}
	for _, seq := range r.unpark.seqs {
		notice, err := w.store.parkedBy(r.unpark.cursor, seq)
		if err != nil {
			return err
		}
		gone := slices.ContainsFunc(d.unparked, func(o unparkOrder) bool {
			return !o.again && o.cursor == r.unpark.cursor && slices.Contains(o.seqs, seq)
		})
		if notice == 0 || gone {
			return &NotParked{r.unpark.cursor, seq}
		}
	}
	return nil
}

// writeUnparked carries out what the draft has about parked entries. It keeps what they were: should the commit be undone, they are
// parked as before.
func (w *writer) writeUnparked(d *draft) error {
	for _, o := range d.unparked {
		for _, seq := range o.seqs {
			if err := w.rememberParked(o.cursor, seq); err != nil {
				return err
			}
			var err error
			switch {
			case !o.again:
				err = w.store.unpark(o.cursor, seq)
			case o.notice > 0:
				err = w.store.putParked(o.cursor, seq, o.notice)
			}
			if err != nil {
				return err
			}
		}
	}
	return nil
}

// rememberParked keeps how an entry was parked before the commit in hand, if it was.
func (w *writer) rememberParked(cursor string, seq uint64) error {
	notice, err := w.store.parkedBy(cursor, seq)
	if err == nil && notice > 0 && notice <= w.state.edge.size {
		w.wasParked = append(w.wasParked, parkOrder{cursor, seq, notice})
	}
	return err
}

// parkedBy gives the notice by which an entry is parked; 0: it is not.
func (s *store) parkedBy(cursor string, seq uint64) (notice uint64, err error) {
	if err := errors.Join(s.parked.BindText(1, cursor), s.parked.BindInt64(2, int64(seq))); err != nil {
		return 0, err
	}
	if s.parked.Step() {
		notice = uint64(s.parked.ColumnInt64(0))
	}
	return notice, errors.Join(s.parked.Err(), s.parked.Reset())
}

// unpark forgets that one entry is parked.
func (s *store) unpark(cursor string, seq uint64) error {
	return errors.Join(s.unparked.BindText(1, cursor), s.unparked.BindInt64(2, int64(seq)), s.unparked.Exec())
}

// savedParked lists what is parked, as far as size.
func savedParked(db *sqlite3.Conn, size uint64) ([]SavedParked, error) {
	list := []SavedParked{}
	err := query(db, "SELECT cursor, seq, notice FROM parked WHERE notice <= ? ORDER BY cursor, seq", []int64{int64(size)},
		func(row *sqlite3.Stmt) error {
			list = append(list, SavedParked{row.ColumnText(0), uint64(row.ColumnInt64(1)), uint64(row.ColumnInt64(2))})
			return nil
		})
	return list, err
}
