package deliver

import (
	"context"

	"weighpost/gateway/record"
)

// due is an entry that is to go out.
type due struct {
	entry record.Entry
	done  uint64 // where the cursor stands once this and all before it have arrived
	place uint64 // the entry for which it goes out: itself, or the one that released it
	said  []byte // that entry, as recorded: its stamp says when
	part  int    // how many of what a release lets go are done with once this and all before it have arrived
}

// reading is how far somebody has read for a sink. It holds one release at most, whatever is behind.
type reading struct {
	at      uint64   // looked at, up to here
	release *release // what entry at+1 lets go, and is not looked at yet
	by      *routes  // nil: those of the configuration
	told    uint64   // what is held back up to here was counted before
}

// behind says whether there is something to look at.
func (rd *reading) behind(head uint64) bool { return rd.release != nil || rd.at < head }

// readOn looks at entries further on, and gives those that are due, room at the most. Nothing but the journal and the configuration
// decides: the same place gives the same entries again. passed counts wanted entries that are held back. What is given counts also
// with an error, after which reading goes on behind it.
func (r *Runner) readOn(ctx context.Context, rd *reading, room int) (list []due, passed uint64, err error) {
	by := rd.by
	if by == nil {
		by = &r.routes
	}
	if rd.release != nil {
		list, err = r.letGo(ctx, rd, by, room)
		return list, 0, err
	}
	entries, err := r.log.Read(ctx, rd.at, room)
	if err != nil {
		return nil, 0, err
	}
	for _, e := range entries {
		if e.Kind == record.KindHeldReleased {
			if rd.release, err = r.openRelease(ctx, e); err != nil || rd.release != nil {
				return list, passed, err // its entries come next time
			}
		}
		rd.at = e.Seq
		switch {
		case !by.wants(e):
		case by.holds(e):
			if e.Seq > rd.told {
				passed++
			}
		default:
			list = append(list, due{entry: e, done: e.Seq, place: e.Seq, said: e.JSON})
		}
	}
	return list, passed, nil
}
