package procedure

import (
	"fmt"
	"maps"
	"slices"

	"weighpost/gateway/record"
)

// Amendment says that something of a context was wrong: of the beginning of the run, of one of its steps, or of one of its weighings.
type Amendment struct {
	Of            string // id of the entry
	Field         string // sample, lot, container, person, method, or the name of a field of its own
	Before, After string
}

// ofItem are the fields of a context that an item has too. No other moves a result from one thing to another.
var ofItem = []string{record.ItemSample, record.ItemLot, "container"}

func partOf(item *record.RunItem, field string) *string {
	switch field {
	case record.ItemSample:
		return &item.Sample
	case record.ItemLot:
		return &item.Lot
	case "container":
		return &item.Container
	}
	return nil
}

// numberOf is the number, from 1, of the item that an entry is of, or 0 for none.
func (r *Run) numberOf(e *record.RunStep) int {
	plan := r.def.plan
	i, known := plan.byID[e.Step]
	if known && plan.steps[i].block >= 0 && plan.blocks[plan.steps[i].block].items {
		return e.Pass
	}
	if known && r.only() != nil {
		return 1
	}
	return 0
}

// amending is what the run is about while amendments come to it, one after the other.
type amending struct {
	run   *Run
	items []record.RunItem
	moved []bool                    // items that were amended
	own   map[string]record.RunItem // what each weighing that counts is of, by its id
	of    map[string]int            // and the number of its step's item
	used  map[string]bool           // weighings that are not excluded
}

// amended gives the items of a run as they are from here on, and the weighings that are not of the item that their step is of, with why.
//
// An amendment of the beginning of the run, or of a step of an item, is one of that item with all its weighings. One of a single weighing is of
// that alone: the item follows once all of its weighings agree, and until then those that are of something else do not count for it, as they
// would not have counted had it been known when they were weighed.
func (r *Run) amended(c Changes) (items []record.RunItem, other map[string]string, err error) {
	a := &amending{run: r, items: slices.Clone(r.state.items), own: map[string]record.RunItem{}, of: map[string]int{}, used: map[string]bool{}}
	a.moved = make([]bool, len(a.items))
	for _, e := range r.counts {
		n := r.numberOf(e)
		if e.Weighing == nil || n < 1 || n > len(a.items) {
			continue
		}
		_, out := c.Excluded[e.Weighing.ID]
		a.own[e.Weighing.ID], a.of[e.Weighing.ID], a.used[e.Weighing.ID] = a.items[n-1], n, !out
	}
	for _, one := range c.Amended {
		if err := a.take(one); err != nil {
			return nil, nil, err
		}
	}
	return a.items, a.others(), nil
}

func (a *amending) take(one Amendment) error {
	field := partOf(&record.RunItem{}, one.Field)
	if n, is := a.of[one.Of]; is {
		if field != nil {
			a.weighing(one, n)
		}
		return nil
	}
	if one.Of == a.run.begun.ID && one.Of != "" {
		if field == nil {
			return nil
		}
		n := a.begunAs(one)
		if n < 0 {
			return notDone("the run %s has no single item whose %s is %s", clip(a.run.begun.Run.ID), one.Field, clip(one.Before))
		}
		a.item(one, n+1)
		return nil
	}
	for _, e := range a.run.all {
		if n := a.run.numberOf(e); e.ID == one.Of && one.Of != "" {
			if field != nil && n >= 1 && n <= len(a.items) {
				a.item(one, n)
			}
			return nil
		} else if e.Weighing != nil && e.Weighing.ID == one.Of {
			return nil // of no item, or one that no step counts: no result moves with it
		}
	}
	return notDone("%s is no entry of the run %s", clip(one.Of), clip(a.run.begun.Run.ID))
}

// begunAs finds the item that an amendment of the beginning is about, or −1: the only one; the one that is what the amendment says it was; or the
// one that was so at the beginning. Of several, as while two change places, it is the one that was not amended yet.
func (a *amending) begunAs(one Amendment) int {
	if len(a.items) == 1 {
		return 0
	}
	if i := a.single(a.items, one); i != noItem {
		return i
	}
	return a.single(a.run.begun.Items, one)
}

const noItem = -1 // also where there are several

func (a *amending) single(items []record.RunItem, one Amendment) int {
	found := noItem
	for i := range min(len(items), len(a.items)) {
		if *partOf(&items[i], one.Field) != one.Before {
			continue
		}
		switch {
		case found < 0 || a.moved[found] && !a.moved[i]:
			found = i
		case a.moved[found] == a.moved[i]:
			return noItem
		}
	}
	return found
}

// item amends an item and all its weighings.
func (a *amending) item(one Amendment, n int) {
	*partOf(&a.items[n-1], one.Field) = one.After
	a.moved[n-1] = true
	for id, of := range a.of {
		if of == n {
			own := a.own[id]
			*partOf(&own, one.Field) = one.After
			a.own[id] = own
		}
	}
}

// weighing amends one weighing, and its item where all that are used agree.
func (a *amending) weighing(one Amendment, n int) {
	own := a.own[one.Of]
	*partOf(&own, one.Field) = one.After
	a.own[one.Of] = own
	if !a.used[one.Of] {
		return
	}
	for id, of := range a.of {
		if other := a.own[id]; of == n && a.used[id] && *partOf(&other, one.Field) != one.After {
			return
		}
	}
	*partOf(&a.items[n-1], one.Field) = one.After
	a.moved[n-1] = true
}

// others are the weighings that are of something else than the item of their step.
func (a *amending) others() map[string]string {
	all := map[string]string{}
	for _, id := range slices.Sorted(maps.Keys(a.own)) {
		own, item := a.own[id], a.items[a.of[id]-1]
		for _, field := range ofItem {
			if is, wants := *partOf(&own, field), *partOf(&item, field); is != "" && wants != "" && is != wants {
				all[id] = fmt.Sprintf("its weighing is of %s %s, as amended, and the step is of %s %s", field, clip(is), field, clip(wants))
				break
			}
		}
	}
	return all
}
