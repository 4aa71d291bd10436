package index

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"sync/atomic"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// Scanned is a journal as it is read beside a daemon, or without one: it changes nothing there. What is missing in a damaged
// journal is left out.
type Scanned struct {
	dir, segments string
	head          uint64
	lost          atomic.Pointer[journal.SegmentFault]
}

// OpenScanned opens the journal in a folder, as it is now.
func OpenScanned(ctx context.Context, dir string) (*Scanned, error) {
	return OpenScannedWith(ctx, dir, "")
}

// OpenScannedWith is OpenScanned with another folder in which sealed segments are looked for that the journal's own folder
// lacks; "": none.
func OpenScannedWith(ctx context.Context, dir, segments string) (*Scanned, error) {
	if info, err := os.Stat(dir); err == nil && !info.IsDir() {
		dir = filepath.Dir(dir)
	}
	s := &Scanned{dir: dir, segments: segments}
	low, high := uint64(0), uint64(1) // there is something after low-1; nothing is known after high
	for {
		there, err := s.beyond(ctx, high-1)
		if err != nil {
			return nil, err
		}
		if !there {
			break
		}
		low, high = high, high*2
	}
	for low+1 < high { // the last entry is at low or above, and below high
		mid := low + (high-low)/2
		there, err := s.beyond(ctx, mid-1)
		if err != nil {
			return nil, err
		}
		if there {
			low = mid
		} else {
			high = mid
		}
	}
	s.head = low
	return s, nil
}

var errEnough = errors.New("enough entries")

// beyond says whether there is an entry after a sequence.
func (s *Scanned) beyond(ctx context.Context, after uint64) (bool, error) {
	err := journal.ScanWith(ctx, s.dir, s.segments, after, func(record.Entry) error { return errEnough })
	var lost *journal.SegmentFault
	if errors.Is(err, errEnough) || errors.As(err, &lost) {
		return true, nil
	}
	return false, err
}

// Dir is the journal's folder.
func (s *Scanned) Dir() string { return s.dir }

// Head is the last entry that was there when the journal was opened.
func (s *Scanned) Head() uint64 { return s.head }

// Lost tells of the first segment that could not be read so far, or gives nil.
func (s *Scanned) Lost() *journal.SegmentFault { return s.lost.Load() }

// Read gives the entries after a sequence up to max further on.
func (s *Scanned) Read(ctx context.Context, after uint64, max int) ([]record.Entry, error) {
	var list []record.Entry
	last := min(after+uint64(max), s.head)
	if after >= last {
		return nil, nil
	}
	err := journal.ScanWith(ctx, s.dir, s.segments, after, func(e record.Entry) error {
		if e.Seq <= last {
			list = append(list, e)
		}
		if e.Seq >= last {
			return errEnough
		}
		return nil
	})
	var lost *journal.SegmentFault
	if errors.As(err, &lost) {
		s.lost.CompareAndSwap(nil, lost)
		err = nil
	}
	if errors.Is(err, errEnough) {
		err = nil
	}
	return list, err
}
