package journal

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"weighpost/gateway/record"
)

var errFound = errors.New("found")

// Find looks for an entry of a journal, closed or being written, by its id or its sequence. The number in an id of a weighing is no
// sequence, but never larger than it, and that is where the search begins. segments and progress are as in ProveOptions.
func Find(ctx context.Context, dir, id, segments string, progress func(done, total uint64)) (found record.Entry, err error) {
	after, last := uint64(0), uint64(math.MaxInt64)
	part := strings.Split(id, "/")
	n, numErr := strconv.ParseUint(part[len(part)-1], 10, 63)
	switch {
	case numErr != nil || n == 0 || len(part) != 1 && len(part) != 4:
		return found, fmt.Errorf("%q is no id of an entry (site/incarnation/balance/number) and no sequence", id)
	case len(part) == 1 || part[2] == "@":
		after, last = n-1, n
	default:
		after = n - 1
	}
	err = ScanWith(ctx, folder(dir), segments, after, func(e record.Entry) error {
		switch {
		case e.ID == id || len(part) == 1 && e.Seq == n:
			found = e
			found.JSON = slices.Clone(e.JSON)
			return errFound
		case e.Seq >= last:
			return errFound
		}
		if progress != nil && e.Seq%verifyChunk == 0 {
			progress(e.Seq, 0)
		}
		return nil
	})
	var lost *SegmentFault
	switch {
	case found.Seq == 0 && errors.As(err, &lost):
		return found, fmt.Errorf("the entry %s may be among those that cannot be read: %w", id, lost)
	case err != nil && !errors.Is(err, errFound):
		return found, err
	case found.Seq == 0:
		return found, fmt.Errorf("the journal in %s has no entry %s", folder(dir), id)
	}
	return found, nil
}
