package review

import (
	"cmp"
	"errors"
	"maps"
	"slices"

	"weighpost/gateway/follow"
)

// FileName is what the room writes down beside the journal. It can be deleted at any time.
const FileName = "reviews.json"

const snapshotForm = "weighpost.reviews/1"

// snapshot is what was known once all entries up to a sequence were read.
type snapshot struct {
	follow.Mark
	Runs []*run `json:"runs"` // in the order in which they began
}

// Whole says why what was read cannot be what was written.
func (s *snapshot) Whole() error {
	for i, u := range s.Runs {
		if u == nil || u.Run.ID == "" || len(u.Entries) == 0 || u.last() > s.Seq || i > 0 && s.Runs[i-1].Entries[0] >= u.Entries[0] {
			return errors.New("it holds a run that cannot be one")
		}
	}
	return nil
}

// give gives what is known. What it gives is written down after the view is unlocked, in the goroutine that reduces.
func (r *Room) give() *snapshot { return &snapshot{Runs: r.inOrder()} }

func (r *Room) take(s *snapshot) {
	for _, u := range s.Runs {
		if u.Looked == nil {
			u.Looked = map[string]uint64{}
		}
		r.runs[u.Run.ID] = u
	}
	r.look()
}

// inOrder lists the runs in the order in which they began.
func (r *Room) inOrder() []*run {
	return slices.SortedFunc(maps.Values(r.runs), func(a, b *run) int { return cmp.Compare(a.Entries[0], b.Entries[0]) })
}
