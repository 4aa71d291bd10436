package journal

import (
	"fmt"
	"math"
)

// Free gives the bytes that may still be written to the disk of a folder.
func Free(dir string) (uint64, error) {
	free, err := freeOn(dir)
	if err != nil {
		return 0, fmt.Errorf("how much space is left cannot be told: %w", err)
	}
	return free, nil
}

// Room says how many bytes others may write to the disk of a folder before they take what recording needs: negative is
// none at all. Whoever writes something large beside the journal (an index, a segment, a backup) asks first, also for a
// folder on another disk: a few MiB are left free there too.
func (j *Journal) Room(dir string) (int64, error) {
	free, err := Free(dir)
	if err != nil {
		return 0, err
	}
	return int64(min(free, math.MaxInt64)) - int64(2*j.reserve.Load()), nil
}

// SetReserve sets how many bytes are kept for recording: the size of the reserve file, and what must be left free beside
// it. 0 keeps nothing.
func (j *Journal) SetReserve(bytes uint64) { j.reserve.Store(bytes) }
