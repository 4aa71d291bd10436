package gateway

import (
	"context"
	"slices"
	"strings"

	"weighpost/gateway/console"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// Gone lists what is parked for sinks that are not configured any more, by id.
func (g *Gateway) Gone(context.Context) ([]console.GoneSink, error) {
	parked, err := g.journal.ParkedFor()
	if err != nil {
		return nil, err
	}
	list := []console.GoneSink{}
	for id, n := range parked {
		if _, err := g.sinkOf(id); err != nil && n > 0 {
			list = append(list, console.GoneSink{ID: id, Parked: n})
		}
	}
	slices.SortFunc(list, func(a, b console.GoneSink) int { return strings.Compare(a.ID, b.ID) })
	return list, nil
}

// parkedWhere lists what is parked for a sink, also for one that is not configured any more as long as something is.
func (g *Gateway) parkedWhere(id string) ([]journal.Parked, error) {
	_, unknown := g.sinkOf(id)
	list, err := g.journal.Parked(id)
	if err == nil && len(list) == 0 {
		err = unknown
	}
	return list, err
}

// gone decides about what is parked for a sink that is not configured any more: nothing can be delivered there.
type gone struct {
	id      string
	journal *journal.Journal
}

func (d gone) Retry(context.Context, []uint64, *record.ParkedActed) error {
	return &record.RequestRefused{Why: "sink " + d.id + " is not configured any more, so that nothing can be delivered to it. Configure it again " +
		"under this id and then have them delivered, or give them up"}
}

func (d gone) Drop(ctx context.Context, seqs []uint64, body *record.ParkedActed) error {
	return d.journal.Unpark(ctx, d.id, seqs, body)
}

func (d gone) left() uint64 {
	n, _, err := d.journal.SetAside(d.id)
	if err != nil {
		return 0
	}
	return uint64(n)
}
