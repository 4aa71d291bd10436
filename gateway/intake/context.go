package intake

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"weighpost/gateway/record"
)

// heldItem is one item of the context.
type heldItem struct {
	id, by string
	since  record.UTC
	until  time.Time // zero: no limit
	uses   int       // weighings left; below 0: no limit
}

var fixedItems = []string{record.ItemPerson, record.ItemSample, record.ItemMethod, record.ItemRun, record.ItemLot}

// SetContext changes what the next weighings are tied to, and returns what is held once the entry of the act is durable. A
// request that is not carried out is an error of type *record.ContextRefused.
func (in *Intake) SetContext(ctx context.Context, r record.ContextRequest) (record.ContextView, error) {
	view, done, err := in.change(r)
	if err != nil {
		return view, err
	}
	select {
	case <-done:
		return view, nil
	case <-ctx.Done():
		return view, fmt.Errorf("balance %s: the context is set, and its entry is not in the journal yet: %w", in.cfg.ID, ctx.Err())
	}
}

func (in *Intake) change(r record.ContextRequest) (record.ContextView, <-chan struct{}, error) {
	in.mu.Lock()
	defer in.mu.Unlock()
	if waiting, _ := in.out.count(); waiting >= room {
		return in.view(), nil, &record.ContextRefused{Why: "Recording does not keep up, so that the change could not be journalled: try again when it does."}
	}
	e := &record.ContextChange{Balance: in.about, Before: in.heldContext(), Cause: "set", Where: r.Where, Raw: r.Raw, Stamp: in.stamp(r.At)}
	if r.SignOut {
		e.Cause = "signed-out"
	}
	if r.SignOut || r.Whole {
		clear(in.context)
	}
	for name, item := range items(&r) {
		delete(in.context, name)
		if item.ID == "" {
			continue
		}
		h := &heldItem{id: item.ID, by: r.By, since: e.Stamp.UTC, uses: item.Uses}
		if h.uses == 0 {
			h.uses = -1
			if name == record.ItemSample {
				h.uses = 1
			}
		}
		if item.For > 0 {
			h.until = r.At.Add(item.For)
		}
		in.context[name] = h
	}
	e.After = in.heldContext()
	done := make(chan struct{})
	in.durable[e] = done
	in.put(e, e.Stamp)
	return in.view(), done, nil
}

// items gives what a request names.
func items(r *record.ContextRequest) map[string]*record.ContextItem {
	named := maps.Clone(r.Fields)
	if named == nil {
		named = map[string]*record.ContextItem{}
	}
	for _, name := range fixedItems {
		if item := *r.Item(name); item != nil {
			named[name] = item
		}
	}
	return named
}

// Context gives what is held now.
func (in *Intake) Context() record.ContextView {
	in.mu.Lock()
	defer in.mu.Unlock()
	return in.view()
}

func (in *Intake) view() record.ContextView {
	v := record.ContextView{Balance: in.cfg.ID, Items: []record.ContextHeld{}}
	names := slices.Sorted(maps.Keys(in.context))
	for _, name := range append(slices.Clone(fixedItems), slices.DeleteFunc(names, func(n string) bool { return slices.Contains(fixedItems, n) })...) {
		h := in.context[name]
		if h == nil {
			continue
		}
		item := record.ContextHeld{Name: name, ID: h.id, By: h.by, Since: h.since}
		if h.uses >= 0 {
			item.Uses = &h.uses
		}
		if !h.until.IsZero() {
			until := in.clock.Stamp(h.until).UTC
			item.Until = &until
		}
		v.Items = append(v.Items, item)
	}
	return v
}

// heldContext writes what is held as records name it.
func (in *Intake) heldContext() record.Context {
	c := record.Context{Fields: map[string]string{}}
	for name, h := range in.context {
		c.Set(name, &record.Learnt{ID: h.id, By: h.by})
	}
	return c
}

// spend gives what a weighing of the given time carries, and takes it off what is left.
func (in *Intake) spend(at time.Time) record.Context {
	for name, h := range in.context {
		if h.uses == 0 || !h.until.IsZero() && !at.Before(h.until) {
			delete(in.context, name)
		}
	}
	c := in.heldContext()
	for name, h := range in.context {
		if h.uses > 0 {
			h.uses--
		}
		if h.uses == 0 {
			delete(in.context, name)
		}
	}
	return c
}
