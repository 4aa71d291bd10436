package fitness

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// MostWeights is how many reference weights are known at most.
const MostWeights = 2000

// KnownWeight is a reference weight with who said so last.
type KnownWeight struct {
	record.ReferenceWeight
	Since record.UTC   `json:"since"`
	By    record.Actor `json:"by"`
	Entry string       `json:"entry"`
	Seq   uint64       `json:"seq"`
}

func refuse(format string, a ...any) error { return &record.NotDone{Why: fmt.Sprintf(format, a...)} }

// Weight gives what is known of a reference weight.
func (r *Room) Weight(id string) (KnownWeight, bool) {
	r.view.Lock()
	defer r.view.Unlock()
	w := r.weights[id]
	if w == nil {
		return KnownWeight{}, false
	}
	return *w, true
}

// Weights lists the register by id, the withdrawn ones too.
func (r *Room) Weights() (list []KnownWeight) {
	r.view.Lock()
	for _, w := range r.weights {
		list = append(list, *w)
	}
	r.view.Unlock()
	slices.SortFunc(list, func(a, b KnownWeight) int { return strings.Compare(a.ID, b.ID) })
	return list
}

// Register puts a new weight into the register, or changes what is known of one, for a reason. An id is never given to another weight: a
// weight that was withdrawn stays so.
func (r *Room) Register(ctx context.Context, w record.ReferenceWeight, reason string, by record.Actor) (KnownWeight, error) {
	if err := CheckWeight(&w, r.today()); err != nil {
		return KnownWeight{}, err
	}
	return r.changeWeight(ctx, w.ID, func(before *KnownWeight) (*record.WeightEntry, error) {
		e := &record.WeightEntry{Change: record.WeightRegistered, Weight: w, Reason: reason, By: by}
		switch {
		case before == nil && len(r.weights) >= MostWeights:
			return nil, refuse("%d reference weights are registered, and no more can be", MostWeights)
		case before == nil:
			return e, nil
		case before.Withdrawn:
			return nil, refuse("the reference weight %s was withdrawn: give the new one an id of its own", w.ID)
		case before.Nominal != w.Nominal:
			return nil, refuse("the reference weight %s is one of %s: give one of %s an id of its own", w.ID, before.Nominal, w.Nominal)
		case strings.TrimSpace(reason) == "":
			return nil, refuse("what is known of a reference weight changes for a reason, such as its new certificate: give one")
		}
		was := before.ReferenceWeight
		e.Change, e.Before = record.WeightChanged, &was
		return e, nil
	})
}

// Withdraw says that a weight is not to be used again: dropped, lost, worn.
func (r *Room) Withdraw(ctx context.Context, id, reason string, by record.Actor) (KnownWeight, error) {
	return r.changeWeight(ctx, id, func(before *KnownWeight) (*record.WeightEntry, error) {
		switch {
		case before == nil:
			return nil, record.ErrNoWeight
		case before.Withdrawn:
			return nil, refuse("the reference weight %s is withdrawn already", id)
		case strings.TrimSpace(reason) == "":
			return nil, refuse("a reference weight is withdrawn for a reason: give one")
		}
		was, w := before.ReferenceWeight, before.ReferenceWeight
		w.Withdrawn = true
		return &record.WeightEntry{Change: record.WeightWithdrawn, Weight: w, Before: &was, Reason: reason, By: by}, nil
	})
}

// changeWeight appends what make says of a weight as it is known now; make is called with the room locked.
func (r *Room) changeWeight(ctx context.Context, id string, make func(before *KnownWeight) (*record.WeightEntry, error)) (KnownWeight, error) {
	done, err := r.view.Take(ctx)
	if err != nil {
		return KnownWeight{}, err
	}
	defer done()
	stamp := r.o.Stamp()
	r.view.Lock()
	e, err := make(r.weights[id])
	r.view.Unlock()
	if err != nil {
		return KnownWeight{}, err
	}
	e.Stamp = stamp
	if _, err := r.view.Append(ctx, e); err != nil {
		return KnownWeight{}, err
	}
	w, _ := r.Weight(id)
	return w, nil
}

// Unfit says why a weight is not to be relied on at a day (YYYY-MM-DD), or "": withdrawn, overdue, without a certificate.
func (w *KnownWeight) Unfit(day string) (why string, withdrawn bool) {
	switch c := w.Certificate; {
	case w.Withdrawn:
		return "it was withdrawn from use", true
	case c == nil || c.Number == "" || c.Date == "":
		return "no certificate of it with a number and a date is registered", false
	case c.Due == "":
		return "it is not known until when its certificate is relied on", false
	case c.Due < day:
		return "its certificate was due on " + c.Due, false
	}
	return "", false
}

// WeightRule says what becomes of reference weights that are not to be relied on.
type WeightRule struct {
	Overdue string `yaml:"overdue" desc:"A weight whose certificate is overdue or missing. refuse: no check begins with it. warn: the person is told, and the record says so." enum:"refuse,warn" default:"refuse"`
	Coarse  string `yaml:"coarse" desc:"A weight whose own limit (the uncertainty of its certificate, or the maximum permissible error of its class) is more than a third of the limit that is tested with it, as USP <41> and OIML R 76-1 ask." enum:"refuse,warn" default:"refuse"`
}

// Check adds what is wrong with it.
func (w *WeightRule) Check(r *strict.Report) {
	for key, value := range map[string]string{"overdue": w.Overdue, "coarse": w.Coarse} {
		if value != "" && value != Refuse && value != Warn {
			r.At(key).Fault(fmt.Sprintf("%.40q is nothing that becomes of a weight", value), "refuse or warn")
		}
	}
}

// Begin says why a check may not begin with a weight, and else what is to be said of it, by the rule. coarse is what Doubts of the check
// says of it; day is today, YYYY-MM-DD.
func (w WeightRule) Begin(k *KnownWeight, coarse, day string) (doubt string, err error) {
	why, withdrawn := k.Unfit(day)
	switch {
	case withdrawn:
		return "", refuse("the reference weight %s cannot be used: %s", k.ID, why)
	case why != "" && w.Overdue != Warn:
		return "", refuse("the reference weight %s cannot be used: %s. Use another, or register its new certificate", k.ID, why)
	case coarse != "" && w.Coarse != Warn:
		return "", refuse("the reference weight %s cannot be used: %s. Use a finer one", k.ID, coarse)
	}
	return strings.Join(slices.DeleteFunc([]string{why, coarse}, func(s string) bool { return s == "" }), "; "), nil
}
