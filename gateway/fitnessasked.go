package gateway

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/checks"
	"weighpost/gateway/console"
	"weighpost/gateway/fitness"
	"weighpost/gateway/index"
	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
)

var _ console.Fitness = (*Gateway)(nil)

// FitnessOf gives what is known of the fitness of one balance.
func (g *Gateway) FitnessOf(balance string) (console.FitnessView, bool) {
	for _, b := range g.lookedAfter() {
		if b.Describe.ID == balance {
			return g.fitnessOf(b), true
		}
	}
	return console.FitnessView{}, false
}

// AllFitness gives it of every balance that is configured.
func (g *Gateway) AllFitness() []console.FitnessView {
	list := []console.FitnessView{}
	for _, b := range g.lookedAfter() {
		list = append(list, g.fitnessOf(b))
	}
	return list
}

func (g *Gateway) fitnessOf(b fitness.Balance) console.FitnessView {
	f, _ := g.fitness.File(b.Describe.ID)
	v := console.FitnessView{Balance: b.Describe, Fitness: f.Fitness, Since: f.Since, Cause: f.Cause, Reason: f.Reason, Unfit: b.Config.Unfit, Refusal: g.fitness.Refusal(b.Describe.ID),
		Minimum: f.Minimum, NoMinimum: f.NoMinimum, Schedule: []console.CheckDue{}, Failures: []console.FailureView{},
		Checks: append([]*record.CheckEnded{}, f.Checks...), Upkeep: append([]*record.Upkeep{}, f.Upkeep...)}
	slices.Reverse(v.Checks)
	slices.Reverse(v.Upkeep)
	now := g.stamp().UTC.Time()
	for _, d := range f.Schedule {
		v.Schedule = append(v.Schedule, dueView(d, now))
	}
	for _, one := range slices.Backward(f.Failures) {
		v.Failures = append(v.Failures, console.FailureView{Check: one.Check, Definition: one.Definition, Ended: one.Ended, After: one.After, Before: one.Before,
			Judged: len(one.Judged), Affected: one.Affected(), Closed: one.Closed})
	}
	if !f.Phase.IsZero() {
		phase := record.UTC(f.Phase)
		v.Phase = &phase
	}
	if running, ok := g.CheckOn(b.Describe.ID); ok {
		v.Running = &running
	}
	return v
}

func dueView(d fitness.Due, now time.Time) console.CheckDue {
	v := console.CheckDue{Check: d.Check, Due: record.UTC(d.At), Overdue: record.UTC(d.Overdue), Because: d.Because, State: record.InService}
	if !d.Last.IsZero() {
		last := record.UTC(d.Last)
		v.Last = &last
	}
	switch {
	case d.At.IsZero() || now.Before(d.At):
	case now.Before(d.Overdue):
		v.State = record.CheckDue
	default:
		v.State = record.CheckOverdue
	}
	return v
}

// CheckDefinitions gives the checks of the settings.
func (g *Gateway) CheckDefinitions() []console.CheckDefinition {
	list := []console.CheckDefinition{}
	cfg := g.now.Load().cfg
	for i := range cfg.Checks {
		d, err := cfg.Checks[i].Complete()
		if err != nil {
			continue // validated when it was read
		}
		list = append(list, checkDefinition(d))
	}
	return list
}

func checkDefinition(d checks.Definition) console.CheckDefinition {
	return console.CheckDefinition{Name: d.Name, Measures: d.Measures, Loads: append([]string{}, d.Loads...), Times: d.Times,
		Positions: d.Positions, Limit: limitInWords(d.Tolerance)}
}

// ReadyChecks gives the ready-made checks that the settings can begin with.
func (g *Gateway) ReadyChecks() []console.CheckDefinition {
	list := []console.CheckDefinition{}
	for _, name := range checks.Ready() {
		if d, err := (checks.Definition{Name: name, Use: name}).Complete(); err == nil {
			list = append(list, checkDefinition(d))
		}
	}
	return list
}

func limitInWords(t checks.Tolerance) string {
	switch {
	case t.Mass != "":
		return t.Mass + ", the lab's own tolerance"
	case t.Percent != "":
		return t.Percent + " % of the load, the lab's own tolerance"
	case t.D != 0:
		return fmt.Sprintf("%d d, the lab's own tolerance", t.D)
	case t.Verified != "":
		return "the maximum permissible error of a verified balance, " + t.Verified
	case t.Smallest != "":
		return metrology.USP41.Name + ": 2 s at most 0.10 % of " + t.Smallest
	}
	return metrology.USP41.Name + ": 0.10 % of the load"
}

// CheckEnded gives a check that has ended, with its steps read from the journal. The error may be record.ErrNoBalance or record.ErrNoCheck.
func (g *Gateway) CheckEnded(ctx context.Context, balance, check string) (console.CheckReport, error) {
	f, ok := g.fitness.File(balance)
	if !ok {
		return console.CheckReport{}, record.ErrNoBalance
	}
	var r console.CheckReport
	for _, one := range f.Checks {
		if one.Check.ID == check {
			r.Ended = one
		}
	}
	if r.Ended == nil {
		var err error
		if r.Ended, err = g.olderCheck(ctx, balance, check); err != nil {
			return r, err
		}
	}
	r.Begun, r.Steps = &record.CheckBegun{}, []*record.CheckStep{}
	if err := g.readBody(ctx, r.Ended.Begun, r.Begun); err != nil {
		return r, err
	}
	for _, ref := range r.Ended.Steps {
		s := &record.CheckStep{}
		if err := g.readBody(ctx, ref, s); err != nil {
			return r, err
		}
		r.Steps = append(r.Steps, s)
	}
	return r, nil
}

// olderCheck finds the end of a check that is not kept in memory any more.
func (g *Gateway) olderCheck(ctx context.Context, balance, check string) (found *record.CheckEnded, err error) {
	err = g.eachEntry(ctx, index.Filter{Kinds: []record.Kind{record.KindCheckEnded}, Balance: balance}, func(e record.Entry) {
		one := &record.CheckEnded{}
		if json.Unmarshal(e.JSON, one) == nil && one.Check.ID == check {
			found = one
		}
	})
	if err == nil && found == nil {
		err = record.ErrNoCheck
	}
	return found, err
}

// readBody reads the entry that another one names.
func (g *Gateway) readBody(ctx context.Context, ref record.EntryRef, into record.Body) error {
	e, err := g.entryAt(ctx, ref.Seq)
	if err != nil {
		return err
	}
	if e.ID != ref.ID || e.Kind != into.Kind() {
		return fmt.Errorf("entry %d is %s, and not %s, as a check has it", e.Seq, e.ID, ref.ID)
	}
	return json.Unmarshal(e.JSON, into)
}

// TakeOutOfService takes a balance out of service.
func (g *Gateway) TakeOutOfService(ctx context.Context, balance, reason string, by record.Actor) error {
	return g.fitness.TakeOut(ctx, balance, reason, by)
}

// PutIntoService puts a balance back into service without a check.
func (g *Gateway) PutIntoService(ctx context.Context, balance, reason string, by record.Actor) error {
	return g.fitness.PutBack(ctx, balance, reason, by)
}

// NoteUpkeep records what was done to a balance.
func (g *Gateway) NoteUpkeep(ctx context.Context, balance string, u record.Upkeep) error {
	return g.fitness.Upkeep(ctx, balance, u)
}

// ReferenceWeights lists the register, the withdrawn ones too.
func (g *Gateway) ReferenceWeights() []console.WeightView {
	list := []console.WeightView{}
	day := g.today()
	for _, k := range g.fitness.Weights() {
		list = append(list, g.weightView(k, day))
	}
	return list
}

// ReferenceWeight gives one of them.
func (g *Gateway) ReferenceWeight(id string) (console.WeightView, bool) {
	k, ok := g.fitness.Weight(id)
	return g.weightView(k, g.today()), ok
}

// today is the day at the site, YYYY-MM-DD.
func (g *Gateway) today() string { return g.stamp().UTC.Time().In(time.Local).Format(time.DateOnly) }

func (g *Gateway) weightView(k fitness.KnownWeight, day string) console.WeightView {
	v := console.WeightView{ReferenceWeight: k.ReferenceWeight, Since: k.Since, By: k.By, Entry: k.Entry}
	v.Unfit, _ = k.Unfit(day)
	_, err := g.now.Load().cfg.Fitness.Weights.Begin(&k, "", day)
	v.Refused = err != nil
	if w, err := checks.NewWeight(record.WeightUsed{ReferenceWeight: k.ReferenceWeight}); err == nil && w.Own != nil {
		v.Own = record.Mass(metrology.Exact(w.Own) + " g")
	}
	return v
}

// RegisterWeight puts a weight into the register, or changes what is known of one.
func (g *Gateway) RegisterWeight(ctx context.Context, w record.ReferenceWeight, reason string, by record.Actor) (console.WeightView, error) {
	k, err := g.fitness.Register(ctx, w, strings.TrimSpace(reason), by)
	return g.weightView(k, g.today()), err
}

// WithdrawWeight says that a weight is not to be used again.
func (g *Gateway) WithdrawWeight(ctx context.Context, id, reason string, by record.Actor) (console.WeightView, error) {
	k, err := g.fitness.Withdraw(ctx, id, reason, by)
	return g.weightView(k, g.today()), err
}
