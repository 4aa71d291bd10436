package runs

import (
	"context"
	"fmt"
	"strings"
	"unicode/utf8"

	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
)

// Order is what somebody wants begun.
type Order struct {
	Procedure  string
	Balance    string // "": at none yet
	Items      []record.RunItem
	Parameters map[string]string
	Request    *record.RequestRef
	version    int // that the request names; 0: the one that is adopted
}

// Limits on what a run is begun with.
const (
	mostItems      = 500
	mostFields     = 32
	mostFieldText  = 500 // characters
	mostParameters = 100
)

// Begin begins a run, and gives its id once that is in the journal. The error is record.ErrNoProcedure, or a *record.NotDone that says why not.
func (r *Room) Begin(ctx context.Context, o Order, by record.Actor) (id string, err error) {
	if err := checkOrder(&o); err != nil {
		return "", err
	}
	done, err := r.view.Take(ctx)
	if err != nil {
		return "", err
	}
	defer done()
	if !r.ready() {
		return "", errEarly()
	}
	facts, err := r.factsAt(o.Balance)
	if err != nil {
		return "", err
	}
	bodies, err := r.begins(&o, facts, by)
	if err != nil {
		return "", err
	}
	id = bodies[0].(*record.RunBegun).Run.ID
	if _, err := r.view.Append(ctx, bodies...); err != nil {
		return "", err
	}
	return id, r.settle(ctx, id)
}

// factsAt are those of the balance at which a run begins or goes on, or why it cannot.
func (r *Room) factsAt(balance string) (procedure.Facts, error) {
	if balance == "" {
		return procedure.Facts{}, nil
	}
	f, known := r.o.Lab.Facts(balance)
	switch {
	case !known:
		return f, notDone("there is no balance %.63s", balance)
	case f.Unfit != "":
		return f, &record.NotDone{Why: f.Unfit}
	}
	return f, nil
}

// begins gives the entries with which a run begins.
func (r *Room) begins(o *Order, facts procedure.Facts, by record.Actor) ([]record.Body, error) {
	r.view.Lock()
	defer r.view.Unlock()
	id := fmt.Sprintf("r-%s-%06d", r.o.Incarnation, r.number+1)
	var more []record.Body
	var err error
	if o.Request != nil {
		if more, err = r.beginsFor(o, id, by); err != nil {
			return nil, err
		}
	}
	v, err := r.toBegin(o)
	if err != nil {
		return nil, err
	}
	if err := r.free(o, id); err != nil {
		return nil, err
	}
	b := &record.RunBegun{Run: record.RunRef{ID: id, Procedure: v.ProcedureRef}, Request: o.Request, Items: append([]record.RunItem{}, o.Items...),
		Parameters: o.Parameters, By: by, Stamp: r.o.Stamp()}
	if o.Balance != "" {
		b.Balance = &facts.Balance
	}
	if _, err := procedure.Open(v.def, b); err != nil {
		return nil, &record.NotDone{Why: err.Error()}
	}
	return append([]record.Body{b}, more...), nil
}

// toBegin is the version by which a run begins.
func (r *Room) toBegin(o *Order) (*Version, error) {
	f := r.procedures[o.Procedure]
	if f == nil {
		return nil, record.ErrNoProcedure
	}
	if f.Adopted == 0 {
		return nil, notDone("no version of the procedure %s is adopted: runs begin once somebody who may has adopted one", f.Name)
	}
	if o.version != 0 && o.version != f.Adopted {
		return nil, notDone("version %d of the procedure %s is asked for, and version %d is adopted", o.version, f.Name, f.Adopted)
	}
	v := f.version(f.Adopted)
	if _, err := v.definition(); err != nil {
		return nil, &record.NotDone{Why: err.Error()}
	}
	return v, nil
}

// free says why the balance or a container of an order is not free for a run, or nil. The view is locked.
func (r *Room) free(o *Order, run string) error {
	if o.Balance != "" {
		if other := r.at(o.Balance); other != nil && other.begun.Run.ID != run {
			return notDone("the run %s is at balance %s: end it, or put it aside", other.begun.Run.ID, o.Balance)
		}
	}
	for _, item := range o.Items {
		if in := r.inRun(item.Container); item.Container != "" && in != "" && in != run {
			return notDone("the container %s is in the run %s", item.Container, in)
		}
	}
	return nil
}

// at is the open run at a balance, or nil. The view is locked.
func (r *Room) at(balance string) *openRun {
	for _, o := range r.open {
		if !o.away && o.balance != nil && o.balance.ID == balance {
			return o
		}
	}
	return nil
}

// inRun is the open run that a container is in, or "". The view is locked.
func (r *Room) inRun(container string) string {
	if container == "" {
		return ""
	}
	for _, o := range r.open {
		for _, item := range o.items() {
			if item.Container == container {
				return o.begun.Run.ID
			}
		}
	}
	return ""
}

// items are all that the run is about, as far as is known: those that it began with, and those that were identified as it went.
func (o *openRun) items() []record.RunItem {
	if o.run != nil {
		return append([]record.RunItem{}, o.run.Items()...)
	}
	return append([]record.RunItem{}, o.begun.Items...)
}

// checkOrder says why an order cannot be taken whatever is known, or nil: every text in it comes from a form or another system.
func checkOrder(o *Order) error {
	if len(o.Items) > mostItems {
		return notDone("it is about %d samples or containers: at most %d are taken", len(o.Items), mostItems)
	}
	for i := range o.Items {
		if err := CheckItem(&o.Items[i]); err != nil {
			return notDone("item %d: %v", i+1, err)
		}
	}
	return CheckParameters(o.Parameters)
}

// CheckItem says why something cannot be what a run is about, or nil.
func CheckItem(i *record.RunItem) error {
	if i.Sample == "" && i.Container == "" {
		return fmt.Errorf("neither a sample nor a container is named")
	}
	for _, one := range []struct{ what, id string }{{"the sample", i.Sample}, {"the lot", i.Lot}, {"the container", i.Container}} {
		if one.id == "" {
			continue
		}
		if err := record.CheckContextID(one.id); err != nil {
			return fmt.Errorf("%s %w", one.what, err)
		}
	}
	return CheckFields(i.Fields)
}

// CheckFields says why fields that are given back as they are cannot be taken, or nil.
func CheckFields(fields map[string]string) error {
	if len(fields) > mostFields {
		return fmt.Errorf("it has %d fields: at most %d are taken", len(fields), mostFields)
	}
	for name, text := range fields {
		if name == "" || record.CheckContextID(name) != nil {
			return fmt.Errorf("the name of a field, %.40q, cannot be taken", name)
		}
		if !utf8.ValidString(text) || utf8.RuneCountInString(text) > mostFieldText || strings.ContainsFunc(text, hidden) {
			return fmt.Errorf("the field %.40q cannot be taken: at most %d characters that can be seen", name, mostFieldText)
		}
	}
	return nil
}

// CheckParameters says why parameters cannot be taken, or nil. What they mean the procedure says.
func CheckParameters(p map[string]string) error {
	if len(p) > mostParameters {
		return notDone("it has %d parameters: at most %d are taken", len(p), mostParameters)
	}
	for name, text := range p {
		if utf8.RuneCountInString(text) > mostFieldText || utf8.RuneCountInString(name) > 63 || !utf8.ValidString(text) || strings.ContainsFunc(text, hidden) {
			return notDone("the parameter %.40q cannot be taken: at most %d characters that can be seen", name, mostFieldText)
		}
	}
	return nil
}
