package deliver

import (
	"context"
	"encoding/json"
	"fmt"

	"weighpost/gateway/record"
)

// release is a held-released entry that is being carried out.
type release struct {
	entry record.Entry
	refs  []record.EntryRef // not looked at yet
	part  int               // looked at
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
	if r.partly.place == e.Seq {
		rel.part = min(r.partly.part, len(rel.refs))
		rel.refs = rel.refs[rel.part:]
	}
	if len(rel.refs) == 0 {
		return nil, nil
	}
	return rel, nil
}

// letGo gives entries that a release lets go, marked as late, and at its end the release itself where it is wanted.
func (r *Runner) letGo(ctx context.Context, rd *reading, by *routes, room int) (list []due, err error) {
	rel := rd.release
	for len(rel.refs) > 0 && len(list) < room {
		ref := rel.refs[0]
		entries, err := r.log.Read(ctx, ref.Seq-1, 1)
		if err != nil {
			return list, err
		}
		rel.refs, rel.part = rel.refs[1:], rel.part+1
		if len(entries) != 1 || entries[0].ID != ref.ID {
			r.deps.Log.Warn("a release names an entry that is not there under this id", "release", rel.entry.ID, "seq", ref.Seq, "id", ref.ID)
			continue
		}
		e := entries[0]
		if by.wants(e) && by.holds(e) { // what only others held back it has had already
			e.Late = true
			list = append(list, due{entry: e, done: rel.entry.Seq - 1, place: rel.entry.Seq, said: rel.entry.JSON, part: rel.part})
		}
	}
	if len(rel.refs) > 0 || len(list) == room {
		return list, nil
	}
	rd.at, rd.release = rel.entry.Seq, nil
	if by.wants(rel.entry) {
		list = append(list, due{entry: rel.entry, done: rd.at, place: rd.at, said: rel.entry.JSON})
	}
	return list, nil
}

// partly is how far a release was carried out when one of its entries was refused.
type partly struct {
	place uint64 // of the release
	part  int
}

// partlyOf is where the journal remembers it.
func partlyOf(sink string) string { return "release/" + sink }

// keepPartly has the journal remember how far a release was carried out. The cursor cannot say so, and after a restart an entry that
// was refused, and then given up by somebody, must not come again.
func (r *Runner) keepPartly(ctx context.Context, d due) {
	if !d.entry.Late {
		return
	}
	if err := r.log.Remember(ctx, partlyOf(r.cfg.ID), fmt.Sprint(d.place, " ", d.part)); err != nil && ctx.Err() == nil {
		r.deps.Log.Warn("how far a release was carried out is not kept; after a restart some of it comes again", "error", err)
	}
}

// recallPartly finds it at a start.
func (r *Runner) recallPartly() {
	text, _, err := r.log.Remembered(partlyOf(r.cfg.ID))
	var p partly
	if err != nil || text == "" {
		return
	}
	if _, err := fmt.Sscanf(text, "%d %d", &p.place, &p.part); err != nil || p.part < 0 {
		r.deps.Log.Warn("how far a release was carried out cannot be read; some of it comes again", "error", err)
		return
	}
	r.partly = p
}
