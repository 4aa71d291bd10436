package gateway

import (
	"context"
	"encoding/json"
	"fmt"

	"weighpost/gateway/index"
	"weighpost/gateway/intake"
	"weighpost/gateway/record"
	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
	"weighpost/parsers/unit"
)

// Reread reads the frame of a weighing, as it was received, by a layout that the lab has or had, which is named by its hash. The weighing stays
// as it is. What can be no weighing of its balance is refused: the error is a *record.NotDone then, and else that of the journal.
func (g *Gateway) Reread(ctx context.Context, w *record.Weighing, hash string) (record.Value, error) {
	text, err := layoutOnce(ctx, g.now.Load().cfg.LayoutTexts(), g.lister(), hash)
	if err != nil {
		return record.Value{}, err
	}
	l, err := layout.Parse("the layout", []byte(text))
	if err != nil || l.Hash() != hash {
		return record.Value{}, cannotRead("the layout %.80s of an earlier configuration cannot be used by this version of weighpost: %v", hash, err)
	}
	return readAnew(w, l)
}

func cannotRead(format string, args ...any) error {
	return &record.NotDone{Why: fmt.Sprintf(format, args...), Field: "layout"}
}

// pageOfConfigurations is how many configurations are read from the journal at once: each holds the whole of it.
const pageOfConfigurations = 20

// layoutOnce finds the source of a layout by its hash: among those in force, or in the configurations that the journal holds, the newest first.
func layoutOnce(ctx context.Context, now map[string]string, l index.Lister, hash string) (text string, err error) {
	text, there := now[hash]
	if !there {
		_, err = configurations(ctx, l, 0, func(c *record.Configured) bool {
			text, there = c.Layouts[hash]
			return there
		})
	}
	if err == nil && !there {
		return "", cannotRead("no balance of this lab has or had the layout %.80s: bring it in with a change of the settings first", hash)
	}
	return text, err
}

// configurations gives those that came into force, the newest first, until one is the last that was wanted, and at most so many pages of them;
// 0: all. more: there are older ones.
func configurations(ctx context.Context, l index.Lister, pages int, last func(c *record.Configured) bool) (more bool, err error) {
	page := index.Page{Down: true, Limit: pageOfConfigurations}
	for n := 1; ; n++ {
		list, err := l.List(ctx, index.Filter{Kinds: []record.Kind{record.KindConfigured}}, page)
		if err != nil {
			return false, fmt.Errorf("the configurations in the journal cannot be read: %w", err)
		}
		for _, e := range list.Entries {
			var c record.Configured
			if err := json.Unmarshal(e.JSON, &c); err != nil {
				return false, fmt.Errorf("entry %d cannot be read: %w", e.Seq, err)
			}
			if c.Refused == "" && last(&c) {
				return true, nil
			}
		}
		if page.Cursor = list.Next; page.Cursor == "" || n == pages {
			return page.Cursor != "", nil
		}
	}
}

// readAnew reads the frame of a weighing by a layout.
func readAnew(w *record.Weighing, l *layout.Layout) (record.Value, error) {
	var r layout.Reading
	var unread error
	frames := 0
	apply := func(f frame.Frame) {
		frames++
		unread = l.Apply(f, &r)
	}
	s := l.Splitter()
	s.Push(w.Frame, apply)
	s.Idle(apply) // the frame was whole: a silence followed it
	s.Flush(apply)
	switch {
	case frames != 1:
		return record.Value{}, cannotRead("by this layout the bytes of %s are %d frames, and not one: they cannot be read by it", w.ID, frames)
	case unread != nil:
		return record.Value{}, cannotRead("by this layout the frame of %s cannot be read: %v", w.ID, unread)
	case r.Range != layout.InRange || !r.HasNumber:
		return record.Value{}, cannotRead("by this layout %s has no weight: leave it out, if that is right", w.ID)
	case r.UnitCode() == "" || r.Quantity != unit.Mass:
		return record.Value{}, cannotRead("by this layout %s is %q, which is no mass that a run can work with", w.ID, r.Digits()+" "+r.PrintedUnit())
	case r.Stability == layout.Unstable:
		return record.Value{}, cannotRead("by this layout the weight had not come to rest: leave %s out, if that is right", w.ID)
	}
	if why := intake.Implausible(&w.Balance, &r); why != "" {
		return record.Value{}, cannotRead("by this layout %s cannot be meant: %s", w.ID, why)
	}
	return record.ValueOf(&r), nil
}
