package procedure

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/gs1"
)

// scan identifies a sample, a container or a reagent.
func (r *Run) scan(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	if err := r.waits(ForScan); err != nil {
		return nil, err
	}
	id := strings.TrimSpace(a.Scan)
	if r.state.step().What == "reagent" {
		return r.reagent(id, now)
	}
	if err := plainText(id, 128); err != nil {
		return nil, notDone("what was scanned cannot be taken: %v", err)
	}
	if r.state.identifies() {
		return r.which(id, now, f)
	}
	return r.sameItem(id, now, f)
}

func (r *Run) reagent(id string, now record.UTC) ([]*record.RunStep, error) {
	lot := id
	symbology, data := gs1.Symbology(id)
	if gs1.Carries(symbology) || strings.HasPrefix(id, "(") {
		read := func() ([]gs1.Element, error) { return gs1.ParseBracketed(id) }
		if gs1.Carries(symbology) {
			read = func() ([]gs1.Element, error) { return gs1.Parse(data, false) }
		}
		elements, err := read()
		if err != nil {
			return r.stop("the code of the reagent cannot be read: %v", err)
		}
		lot = gs1.Bracketed(elements)
		for _, e := range elements {
			if day, is := e.Date(now.Time()); is && e.AI == "17" && !now.Time().Before(day.AddDate(0, 0, 1)) {
				return r.stop("the reagent expired on %s: take another lot", day.Format(time.DateOnly))
			}
		}
	}
	if err := plainText(lot, 200); err != nil {
		return nil, notDone("what was scanned cannot be taken: %v", err)
	}
	e := r.entry(record.StepTaken)
	e.Value = &record.RunValue{Name: e.Step, Text: lot, How: "scanned"}
	return []*record.RunStep{e}, nil
}

// idOf is the id of an item that a step asks for.
func idOf(i *record.RunItem, what string) *string {
	if what == "container" {
		return &i.Container
	}
	return &i.Sample
}

// which finds the item of a pass of a block over items.
func (r *Run) which(id string, now record.UTC, f Facts) ([]*record.RunStep, error) {
	st := r.state
	what, n := st.step().What, st.step().block
	i := slices.IndexFunc(st.items, func(item record.RunItem) bool { return *idOf(&item, what) == id })
	grows := st.grows && n == st.plan.first && len(st.items) < st.most
	if i < 0 && !grows {
		i = st.without(what, n)
	}
	switch {
	case i >= 0 && st.left[i+1]:
		return r.stop("%s %s was left out of this run", what, clip(id))
	case i >= 0 && st.done[at{n, i + 1}]:
		return r.stop("%s %s is done already: the next one is wanted", what, clip(id))
	case i < 0 && !grows:
		return r.stop("%s %s is none of this run", what, clip(id))
	}
	if what == "container" {
		if why := r.unfitContainer(id, now, f); why != "" {
			return r.stop("%s", why)
		}
	}
	item := record.RunItem{}
	if i < 0 {
		i = len(st.items)
		*idOf(&item, what) = id
	} else {
		item = st.items[i]
		*idOf(&item, what) = id
	}
	e := r.entry(record.StepTaken)
	e.Pass, e.Item = i+1, &item
	e.Attempt = r.tries[at{st.at.step, e.Pass}] + 1
	e.Value = &record.RunValue{Name: e.Step, Text: id, How: "scanned"}
	return []*record.RunStep{e}, nil
}

// without finds the first item that has no sample, or no container, yet: a dish that is free is for the next sample, and the run says so from
// then on. −1: there is none.
func (st *state) without(what string, block int) int {
	for i := range st.items {
		if *idOf(&st.items[i], what) == "" && !st.left[i+1] && !st.done[at{block, i + 1}] {
			return i
		}
	}
	return -1
}

// sameItem holds what was scanned against the item that the step is of.
func (r *Run) sameItem(id string, now record.UTC, f Facts) ([]*record.RunStep, error) {
	st := r.state
	what := st.step().What
	item := record.RunItem{}
	if known := st.item(); known != nil {
		item = *known
	}
	own := idOf(&item, what)
	switch taken := slices.ContainsFunc(st.items, func(o record.RunItem) bool { return *idOf(&o, what) == id }); {
	case *own != "" && *own != id:
		return r.stop("%s %s is not the right one: %s is wanted", what, clip(id), clip(*own))
	case *own == "" && taken:
		return r.stop("%s %s belongs to another item of this run", what, clip(id))
	}
	if what == "container" {
		if why := r.unfitContainer(id, now, f); why != "" {
			return r.stop("%s", why)
		}
	}
	*own = id
	e := r.entry(record.StepTaken)
	e.Item = &item
	e.Value = &record.RunValue{Name: e.Step, Text: id, How: "scanned"}
	return []*record.RunStep{e}, nil
}

// unfitContainer says why a container may not be used, or "".
func (r *Run) unfitContainer(id string, now record.UTC, f Facts) string {
	if f.Container == nil {
		return fmt.Sprintf("the register of containers cannot be asked about %s now", clip(id))
	}
	k, known := f.Container(id)
	switch {
	case !known:
		return fmt.Sprintf("container %s is not in the register: register it first", clip(id))
	case k.Withdrawn:
		return fmt.Sprintf("container %s was withdrawn: take another", clip(id))
	case k.Expires != nil && !now.Time().Before(k.Expires.Time()):
		return fmt.Sprintf("container %s expired at %s: take another", clip(id), k.Expires)
	case k.InRun != "" && k.InRun != r.begun.Run.ID:
		return fmt.Sprintf("container %s is in the run %s", clip(id), clip(k.InRun))
	}
	return ""
}
