package gateway

import (
	"context"
	"errors"
	"maps"
	"slices"

	"weighpost/gateway/console"
	"weighpost/gateway/index"
	"weighpost/gateway/record"
	"weighpost/parsers/layout"
)

// How many layouts somebody is offered to choose among, and in how many pages of configurations they are looked for.
const (
	mostLayouts      = 50
	pagesForReadings = 10
)

// RunReadings says what each layout that the lab has or had makes of the frame of a weighing of a run. It changes nothing, and which of them is
// right it cannot know.
func (g *Gateway) RunReadings(ctx context.Context, run, of string) (v console.FrameReadings, err error) {
	one, err := g.review.Of(ctx, run)
	if err != nil {
		return v, err
	}
	at := slices.IndexFunc(one.Weighings, func(w *record.Weighing) bool { return w.ID == of })
	if at < 0 {
		return v, cannotRead("%.120q was not weighed for the run %s, so there is no frame of it to be read anew", of, run)
	}
	w := one.Weighings[at]
	list, more, err := layoutsKnown(ctx, g.now.Load().cfg, g.lister())
	if err != nil {
		return v, err
	}
	v = console.FrameReadings{Of: record.EntryRef{Seq: w.Seq, ID: w.ID}, Layout: w.Layout, Readings: []console.FrameReading{}, More: more}
	for _, k := range list {
		r := console.FrameReading{Layout: k.hash, Balances: k.balances, Now: k.now}
		value, err := readBy(w, k)
		var not *record.NotDone
		switch {
		case err == nil:
			r.Value = &value
		case errors.As(err, &not):
			r.Why = not.Why
		default:
			return v, err
		}
		v.Readings = append(v.Readings, r)
	}
	return v, nil
}

func readBy(w *record.Weighing, k knownLayout) (record.Value, error) {
	l, err := layout.Parse("the layout", []byte(k.text))
	if err != nil || l.Hash() != k.hash {
		return record.Value{}, cannotRead("this layout of an earlier configuration cannot be used by this version of weighpost: %v", err)
	}
	return readAnew(w, l)
}

// knownLayout is a layout that balances have or had.
type knownLayout struct {
	hash, text string
	balances   []string
	now        bool // in force
}

// kept is what layouts are learnt from: the configuration in force.
type kept interface {
	LayoutTexts() map[string]string
	BalanceLayouts() map[string]string
}

// layoutsKnown lists layouts: those in force first, then those of earlier configurations, the newest first. more: there may be others.
func layoutsKnown(ctx context.Context, cfg kept, l index.Lister) (list []knownLayout, more bool, err error) {
	add := func(texts, balances map[string]string, now bool) {
		for _, hash := range slices.Sorted(maps.Keys(texts)) {
			at := slices.IndexFunc(list, func(k knownLayout) bool { return k.hash == hash })
			if at < 0 && len(list) == mostLayouts {
				more = true
				continue
			}
			if at < 0 {
				list, at = append(list, knownLayout{hash: hash, text: texts[hash], balances: []string{}, now: now}), len(list)
			}
			for _, id := range slices.Sorted(maps.Keys(balances)) {
				if balances[id] == hash && !slices.Contains(list[at].balances, id) {
					list[at].balances = append(list[at].balances, id)
				}
			}
		}
	}
	add(cfg.LayoutTexts(), cfg.BalanceLayouts(), true)
	older, err := configurations(ctx, l, pagesForReadings, func(c *record.Configured) bool {
		add(c.Layouts, c.BalanceLayouts, false)
		return more
	})
	return list, more || older, err
}
