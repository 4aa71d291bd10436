package bundle

import (
	"context"
	"fmt"
	"io"
	"math"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// reader gives the entries of a bundle one by one, from a journal. It reads some at a time and lets go of the journal in between: a daemon
// that writes it could not fold its WAL while somebody reads on as slowly as their network goes.
type reader struct {
	ctx    context.Context // of the one pass
	proofs *journal.Proofs
	left   []span
	some   []record.Entry
}

// chunk is how many entries are read at once, and kept in memory.
const chunk = 200

func (p *Plan) reader(ctx context.Context) *reader {
	return &reader{ctx: ctx, proofs: p.proofs, left: append([]span{}, p.chosen...)}
}

// next gives an entry, or io.EOF after the last.
func (r *reader) next() (e record.Entry, err error) {
	if len(r.some) == 0 {
		if len(r.left) == 0 {
			return e, io.EOF
		}
		s := &r.left[0]
		last := min(s.last, s.first+chunk-1)
		err = r.proofs.Each(r.ctx, s.first, last, func(e record.Entry) error {
			r.some = append(r.some, e)
			return nil
		})
		if err != nil {
			return e, fmt.Errorf("entries %d to %d cannot be read: %w", s.first, last, err)
		}
		if s.first = last + 1; s.first > s.last {
			r.left = r.left[1:]
		}
	}
	e, r.some = r.some[0], r.some[1:]
	return e, nil
}

// upcoming is the sequence of the entry that next gives.
func (r *reader) upcoming() uint64 {
	switch {
	case len(r.some) > 0:
		return r.some[0].Seq
	case len(r.left) > 0:
		return r.left[0].first
	}
	return math.MaxInt64
}
