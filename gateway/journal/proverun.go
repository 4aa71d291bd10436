package journal

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// ProveRun makes the proof of all entries of a run, as ProveOptions say, under one checkpoint that covers the last. begins and covers say
// which they are: the first that begins says true of, and all that covers says true of from there on.
func ProveRun(ctx context.Context, dir, run string, begins, covers func(record.Entry) (bool, error), o ProveOptions) (proof.Several, error) {
	entries, err := pick(ctx, dir, begins, covers, o)
	if err != nil {
		return proof.Several{}, err
	}
	if len(entries) == 0 {
		return proof.Several{}, fmt.Errorf("the journal in %s has no run %s", folder(dir), run)
	}
	p, err := newProver(ctx, dir, entries[len(entries)-1], o)
	if err != nil {
		return proof.Several{}, err
	}
	defer p.db.Close()
	last, err := p.prove()
	if err != nil {
		return proof.Several{}, err
	}
	return p.several(run, entries, last)
}

// pick gives the entries of a run.
func pick(ctx context.Context, dir string, begins, covers func(record.Entry) (bool, error), o ProveOptions) (list []record.Entry, err error) {
	err = ScanWith(ctx, dir, o.Segments, 0, func(e record.Entry) error {
		if o.Progress != nil && e.Seq%verifyChunk == 0 {
			o.Progress(e.Seq, 0)
		}
		wants := covers
		if len(list) == 0 {
			wants = begins
		}
		yes, err := wants(e)
		if yes && err == nil {
			e.JSON = slices.Clone(e.JSON)
			list = append(list, e)
		}
		return err
	})
	var lost *SegmentFault
	if errors.As(err, &lost) {
		return nil, fmt.Errorf("entries of the run may be among those that cannot be read, and a run is proved as a whole or not at all: %w", lost)
	}
	return list, err
}

// several adds the other entries to the proof of the last.
func (p *prover) several(run string, entries []record.Entry, last proof.Proof) (proof.Several, error) {
	out := proof.Several{Run: run, Checkpoint: last.Checkpoint, Key: last.Key, Vouched: last.Vouched, TimeStamp: last.TimeStamp}
	c, err := proof.Peek(last.Checkpoint)
	if err != nil {
		return out, err
	}
	for _, e := range entries {
		one := proof.Included{Entry: e.JSON, Index: e.Seq - 1}
		if one.Hashes, err = tlog.ProveRecord(int64(c.Size), int64(e.Seq-1), storedTree{p.db}); err != nil {
			return out, p.disagrees(e.Seq, err)
		}
		out.Entries = append(out.Entries, one)
	}
	key, err := proof.ParseKey(out.Key)
	if err == nil {
		_, err = out.Verify(key)
	}
	if err != nil {
		return out, p.disagrees(last.Index+1, err)
	}
	return out, nil
}
