package deliver

import (
	"context"
	"encoding/json"

	"weighpost/gateway/record"
)

// due is an entry that is to go out.
type due struct {
	entry record.Entry
	done  uint64 // where the cursor stands once this and all before it have arrived
	place uint64 // the entry for which it goes out: itself, or the one that released it
	said  []byte // that entry, as recorded: its stamp says when
}

// reading is how far somebody has read for a sink. It holds one release at most, whatever is behind.
type reading struct {
	at      uint64   // looked at, up to here
	release *release // what entry at+1 lets go, and is not looked at yet
}

// behind says whether there is something to look at.
func (rd *reading) behind(head uint64) bool { return rd.release != nil || rd.at < head }

// readOn looks at entries further on, and gives those that are due, room at the most. Nothing but the journal and the configuration
// decides: the same place gives the same entries again. passed counts wanted entries that are held back. What is given counts also
// with an error, after which reading goes on behind it.
func (r *Runner) readOn(ctx context.Context, rd *reading, room int) (list []due, passed uint64, err error) {
	if rd.release != nil {
		list, err = r.letGo(ctx, rd, room)
		return list, 0, err
	}
	entries, err := r.log.Read(ctx, rd.at, room)
	if err != nil {
		return nil, 0, err
	}
	for _, e := range entries {
		if r.cfg.Hold == Released && e.Kind == record.KindHeldReleased {
			if rd.release, err = r.openRelease(ctx, e); err != nil || rd.release != nil {
				return list, passed, err // its entries come next time
			}
		}
		rd.at = e.Seq
		switch {
		case !r.wants(e):
		case r.cfg.Hold == Released && e.Kind.Numbered():
			passed++
		default:
			list = append(list, due{entry: e, done: e.Seq, place: e.Seq, said: e.JSON})
		}
	}
	return list, passed, nil
}

// release is a held-released entry that is being carried out.
type release struct {
	entry record.Entry
	refs  []record.EntryRef // not looked at yet
}

// openRelease finds what an entry lets go for the first time; nil: nothing.
func (r *Runner) openRelease(ctx context.Context, e record.Entry) (*release, error) {
	var body struct {
		Entries []record.EntryRef `json:"entries"`
	}
	if err := json.Unmarshal(e.JSON, &body); err != nil || len(body.Entries) == 0 {
		r.deps.Log.Warn("an entry that releases others cannot be read", "entry", e.ID, "error", err)
		return nil, nil
	}
	seqs := make([]uint64, len(body.Entries))
	for i, ref := range body.Entries {
		seqs[i] = ref.Seq
	}
	first, err := r.log.Released(ctx, seqs)
	if err != nil {
		return nil, err
	}
	rel := &release{entry: e}
	seen := make(map[uint64]bool, len(seqs))
	for i, ref := range body.Entries {
		if first[i] == e.Seq && !seen[ref.Seq] {
			rel.refs, seen[ref.Seq] = append(rel.refs, ref), true
		}
	}
	if len(rel.refs) == 0 {
		return nil, nil
	}
	return rel, nil
}

// letGo gives entries that a release lets go, marked as late, and at its end the release itself where it is wanted.
func (r *Runner) letGo(ctx context.Context, rd *reading, room int) (list []due, err error) {
	rel := rd.release
	for len(rel.refs) > 0 && len(list) < room {
		ref := rel.refs[0]
		entries, err := r.log.Read(ctx, ref.Seq-1, 1)
		if err != nil {
			return list, err
		}
		rel.refs = rel.refs[1:]
		if len(entries) != 1 || entries[0].ID != ref.ID {
			r.deps.Log.Warn("a release names an entry that is not there under this id", "release", rel.entry.ID, "seq", ref.Seq, "id", ref.ID)
			continue
		}
		e := entries[0]
		if e.Kind.Numbered() && r.wants(e) {
			e.Late = true
			list = append(list, due{entry: e, done: rel.entry.Seq - 1, place: rel.entry.Seq, said: rel.entry.JSON})
		}
	}
	if len(rel.refs) > 0 || len(list) == room {
		return list, nil
	}
	rd.at, rd.release = rel.entry.Seq, nil
	if r.wants(rel.entry) {
		list = append(list, due{entry: rel.entry, done: rd.at, place: rd.at, said: rel.entry.JSON})
	}
	return list, nil
}
