package gateway

import (
	"context"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// ChangeKey puts another key in force, by which checkpoints are signed.
func (g *Gateway) ChangeKey(ctx context.Context, o record.KeyOrder) (record.KeyAnswer, error) {
	return ChangeKeyOf(ctx, g.journal, o, g.stamp())
}

// ChangeKeyOf does the same with a journal that no daemon has open.
func ChangeKeyOf(ctx context.Context, j *journal.Journal, o record.KeyOrder, at record.Stamp) (record.KeyAnswer, error) {
	a := record.KeyAnswer{Old: j.PublicKey()}
	e, err := j.RotateKey(ctx, journal.Rotation{By: o.By, Reason: o.Reason, Stamp: at})
	a.Seq, a.New = e.Seq, j.PublicKey()
	return a, err
}
