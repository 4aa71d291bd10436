package index

import (
	"encoding/binary"
	"errors"

	"github.com/ncruces/go-sqlite3"
)

// The times of a block's entries stand in parts, so that only those are read that are needed. Part 0 says of each part how
// far it reaches; part k has the times of the k-th timesPart entries.
const timesPart = 512

// span is how far the times of a part reach.
type span struct{ earliest, latest int64 }

// within says whether all of it lies between two times, the second excluded, or none of it.
func (s span) within(from, to int64) (all, none bool) {
	return s.earliest >= from && s.latest < to, s.latest < from || s.earliest >= to
}

func appendTimes(b []byte, times []int64) []byte {
	last := int64(0)
	for _, t := range times {
		b = binary.AppendVarint(b, t-last) // wraps, and back again
		last = t
	}
	return b
}

// readTimes appends n times.
func readTimes(times []int64, b []byte, n int) ([]int64, error) {
	last := int64(0)
	for range n {
		d, size := binary.Varint(b)
		if size <= 0 {
			return nil, errCorrupt
		}
		last += d
		times = append(times, last)
		b = b[size:]
	}
	if len(b) > 0 {
		return nil, errCorrupt
	}
	return times, nil
}

func partKey(part int) []byte { return binary.BigEndian.AppendUint16(nil, uint16(part)) }

// partLength is how many entries a part of a block of n has.
func partLength(part, n int) int { return min(timesPart, n-(part-1)*timesPart) }

// putTimes stores the times of a block.
func (s *store) putTimes(first uint64, times []int64) error {
	put := func(part int, body []byte) error {
		return s.rows(sqlPutTimes, func(stmt *sqlite3.Stmt) error {
			return errors.Join(stmt.BindInt64(1, int64(first)), stmt.BindInt64(2, int64(part)), stmt.BindBlob(3, sealBytes(body, first, partKey(part))))
		}, nothing)
	}
	var spans []byte
	for part := 1; len(times) > 0; part++ {
		n := min(timesPart, len(times))
		earliest, latest := reach(times[:n])
		spans = binary.BigEndian.AppendUint64(spans, uint64(earliest))
		spans = binary.BigEndian.AppendUint64(spans, uint64(latest))
		if err := put(part, appendTimes(nil, times[:n])); err != nil {
			return err
		}
		times = times[n:]
	}
	return put(0, spans)
}

// part reads a part of the times of a block.
func (s *store) part(b block, part int, read func(body []byte) error) error {
	found := false
	err := s.rows(sqlTimes, func(stmt *sqlite3.Stmt) error {
		return errors.Join(stmt.BindInt64(1, int64(b.first)), stmt.BindInt64(2, int64(part)))
	}, func(row *sqlite3.Stmt) error {
		found = true
		body, err := unseal(row.ColumnRawBlob(0), b.first, partKey(part))
		if err == nil {
			err = read(body)
		}
		return err
	})
	if err == nil && !found {
		err = errCorrupt
	}
	return err
}

// spans says of each part of a block how far its times reach.
func (s *store) spans(b block) (list []span, err error) {
	err = s.part(b, 0, func(body []byte) error {
		for ; len(body) >= 16; body = body[16:] {
			list = append(list, span{int64(binary.BigEndian.Uint64(body)), int64(binary.BigEndian.Uint64(body[8:]))})
		}
		if len(body) > 0 || len(list) != (b.size()+timesPart-1)/timesPart {
			return errCorrupt
		}
		return nil
	})
	return list, err
}

// times appends the times of one part of a block.
func (s *store) times(b block, part int, times []int64) ([]int64, error) {
	err := s.part(b, part, func(body []byte) (err error) {
		times, err = readTimes(times, body, partLength(part, b.size()))
		return err
	})
	return times, err
}

// allTimes reads the times of a block.
func (s *store) allTimes(b block) (times []int64, err error) {
	for part := 1; len(times) < b.size(); part++ {
		if times, err = s.times(b, part, times); err != nil {
			return nil, err
		}
	}
	return times, nil
}

// inTime keeps those entries of a set that lie between two times, the second excluded.
func (s *store) inTime(b block, have set, from, to int64) error {
	if b.earliest >= from && b.latest < to {
		return nil
	}
	spans, err := s.spans(b)
	if err != nil {
		return err
	}
	var times []int64
	for i, sp := range spans {
		first := i * timesPart
		mine := have[first/64 : (first+partLength(i+1, b.size())+63)/64]
		all, none := sp.within(from, to)
		switch {
		case all || mine.count() == 0:
		case none:
			clear(mine)
		default:
			if times, err = s.times(b, i+1, times[:0]); err != nil {
				return err
			}
			mine.each(false, func(at int) bool {
				if t := times[at]; t == noTime || t < from || t >= to {
					mine.drop(at)
				}
				return true
			})
		}
	}
	return nil
}

// offer offers the entries of a set in the order of their time, as far as they can come among the first.
func (s *store) offer(b block, have set, top *best) error {
	spans, err := s.spans(b)
	if err != nil {
		return err
	}
	var times []int64
	for k := range spans {
		i := k
		if top.down {
			i = len(spans) - 1 - k
		}
		first := i * timesPart
		mine := have[first/64 : (first+partLength(i+1, b.size())+63)/64]
		if mine.count() == 0 {
			continue
		}
		if this, rest := top.hopeless(spans[i]); this || rest {
			continue
		}
		if times, err = s.times(b, i+1, times[:0]); err != nil {
			return err
		}
		mine.each(top.down, func(at int) bool {
			top.offer(place{times[at], b.first + uint64(first+at)})
			return true
		})
	}
	return nil
}
