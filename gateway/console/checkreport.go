package console

import (
	"context"
	"encoding/json"
	"net/url"
	"strconv"

	"weighpost/gateway/record"
	"weighpost/gateway/report"
)

// ReportOfCheck gathers what a report says of a check that has ended. check is its whole id. The error is record.ErrNoBalance,
// record.ErrNoCheck, or says why it does not work now.
func (d *Deps) ReportOfCheck(ctx context.Context, balance, check string) (*report.Check, error) {
	found, err := d.Fitness.CheckEnded(ctx, balance, check)
	if err != nil {
		return nil, err
	}
	c := &report.Check{Begun: found.Begun, Steps: found.Steps, Ended: found.Ended, Version: d.Version}
	c.Followed = d.stateAfter(ctx, found.Ended)
	c.Proof = d.proofOf(ctx, found.Ended.Seq)
	return c, nil
}

// stateAfter is the change of state that a check led to, or nil where none is found now.
func (d *Deps) stateAfter(ctx context.Context, e *record.CheckEnded) *record.FitnessChanged {
	if d.Entries == nil {
		return nil
	}
	l, err := d.Entries.ListEntries(ctx, url.Values{"kind": {string(record.KindFitnessChanged)}, "balance": {e.Balance.ID},
		"after": {strconv.FormatUint(e.Seq, 10)}, "sort": {"seq"}, "limit": {"1"}})
	if err != nil || len(l.Entries) == 0 {
		return nil
	}
	f := &record.FitnessChanged{}
	if json.Unmarshal(l.Entries[0], f) != nil || f.Check != "" && f.Check != e.Check.ID {
		return nil
	}
	return f
}

// proofOf says where an entry stands in the journal, in the same words each time.
func (d *Deps) proofOf(ctx context.Context, seq uint64) (p report.Proof) {
	if d.Evidence == nil {
		return report.Proof{Missing: "Nothing is proved here."}
	}
	found, err := d.Evidence.FirstProofOf(ctx, seq)
	if err != nil {
		return report.Proof{Missing: "The proof could not be made when this was written: " + sentence(err.Error())}
	}
	return report.Proof{Leaf: found.Leaf, Key: found.Key, Checkpoint: found.Note}
}
