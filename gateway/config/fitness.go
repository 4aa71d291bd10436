package config

import (
	"cmp"
	"fmt"
	"slices"

	"weighpost/gateway/checks"
	"weighpost/gateway/fitness"
	"weighpost/gateway/intake"
	"weighpost/parsers/strict"
)

// Fitness says how the fitness of all balances is looked after, and of which ones otherwise.
type Fitness struct {
	All      fitness.Config     `yaml:",inline"`
	Balances []FitnessOf        `yaml:"balances" desc:"Balances for which something else holds, each with all that holds for it."`
	Weights  fitness.WeightRule `yaml:"weights" desc:"What becomes of reference weights that are not to be relied on."`
}

// FitnessOf is what holds for one balance, in place of what holds for all.
type FitnessOf struct {
	Balance string         `yaml:"balance" desc:"The balance's id."`
	Config  fitness.Config `yaml:",inline"`
}

// Of gives what holds for a balance.
func (f *Fitness) Of(balance string) fitness.Config {
	c, usual := f.All, fitness.Default()
	for _, one := range f.Balances {
		if one.Balance == balance {
			c = one.Config
		}
	}
	c.Unfit, c.Overdue = cmp.Or(c.Unfit, usual.Unfit), cmp.Or(c.Overdue, usual.Overdue)
	return c
}

// Definition gives a check by its name, with what it leaves out filled in.
func (c *Config) Definition(name string) (d checks.Definition, known bool) {
	for _, one := range c.Checks {
		if one.Name == name {
			d, err := one.Complete()
			return d, err == nil
		}
	}
	return d, false
}

// checkFitness adds what is wrong with checks and with how balances are looked after.
func (c *Config) checkFitness(r *strict.Report) {
	for i := range c.Checks {
		at := r.At("checks").Index(i)
		d, err := c.Checks[i].Complete()
		if err != nil {
			at.At("use").Fault(err.Error(), "one of "+fmt.Sprint(checks.Ready()))
			continue
		}
		d.Check(at)
		if slices.IndexFunc(c.Checks, func(o checks.Definition) bool { return o.Name == d.Name }) < i {
			at.At("name").Fault(fmt.Sprintf("%q stands here twice", d.Name), "each name once")
		}
	}
	known := func(name string) bool {
		return slices.ContainsFunc(c.Checks, func(d checks.Definition) bool { return d.Name == name })
	}
	f := r.At("fitness")
	c.Fitness.All.Check(f, known)
	c.Fitness.Weights.Check(f.At("weights"))
	for i := range c.Fitness.Balances {
		one := &c.Fitness.Balances[i]
		at := f.At("balances").Index(i)
		if !slices.ContainsFunc(c.Balances, func(b intake.Config) bool { return b.ID == one.Balance }) {
			at.At("balance").Fault(fmt.Sprintf("there is no balance %.63q", one.Balance), "the id of one under balances")
		}
		if slices.IndexFunc(c.Fitness.Balances, func(o FitnessOf) bool { return o.Balance == one.Balance }) < i {
			at.At("balance").Fault(fmt.Sprintf("%q stands here twice", one.Balance), "each balance once")
		}
		one.Config.Check(at, known)
	}
}
