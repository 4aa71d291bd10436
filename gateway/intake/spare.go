package intake

import "sync/atomic"

// spareRoom is how many entries all balances together may have waiting beyond the room that each has of its own. A program
// that was frozen finds in one moment what the system has kept of a port meanwhile, some 20 kB on a pseudo-terminal and up
// to 64 kB behind a USB adapter: thousands of short lines. 16,384 entries take some 25 MB.
const spareRoom = 16_384

// Spare is room in memory that the balances of one daemon share, for bursts. Nil is none. Its methods may be called from
// any goroutine.
type Spare struct{ left atomic.Int64 }

// NewSpare is the usual room.
func NewSpare() *Spare {
	s := &Spare{}
	s.left.Store(spareRoom)
	return s
}

// take takes the place of one entry, if there is one.
func (s *Spare) take() bool {
	if s == nil {
		return false
	}
	if s.left.Add(-1) >= 0 {
		return true
	}
	s.left.Add(1)
	return false
}

func (s *Spare) giveBack(places int) {
	if s != nil {
		s.left.Add(int64(places))
	}
}
