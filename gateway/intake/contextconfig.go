package intake

import (
	"fmt"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// ContextConfig says how long each item of the context holds where whoever sets it does not say.
type ContextConfig struct {
	Person Hold `yaml:"person" desc:"Who weighs. Left out: for 8h, idle 30m, until replaced."`
	Sample Hold `yaml:"sample" desc:"What is weighed. Left out: for 30m, one use."`
	Method Hold `yaml:"method" desc:"By which test method. Left out: for 8h, until replaced."`
	Run    Hold `yaml:"run" desc:"In which run. Left out: for 8h, until replaced."`
	Lot    Hold `yaml:"lot" desc:"Of which lot. Left out: for 8h, until replaced."`
	Fields Hold `yaml:"fields" desc:"All free fields. Left out: for 8h, until replaced."`
}

// Hold is how long one item holds, and whether a weighing needs it.
type Hold struct {
	For    strict.Duration `yaml:"for" desc:"It ends this long after it was set; 1s to 744h."`
	Idle   strict.Duration `yaml:"idle" desc:"It ends when nothing was recorded for so long; 1s to 744h."`
	Uses   int             `yaml:"uses" desc:"It ends after so many recorded weighings and results; 1 to 1000000, or -1 for until it is replaced."`
	Needed bool            `yaml:"needed" desc:"A weighing without it carries a verdict that says so." default:"false"`
}

const (
	shift      = strict.Duration(8 * time.Hour)
	longestFor = 31 * 24 * time.Hour
	mostUses   = 1_000_000
)

var (
	defaultPerson = Hold{For: shift, Idle: strict.Duration(30 * time.Minute), Uses: -1}
	defaultSample = Hold{For: strict.Duration(30 * time.Minute), Uses: 1}
	defaultOther  = Hold{For: shift, Uses: -1}
)

// hold gives the limits of an item by its name, defaults filled in. A name that is none of the fixed ones is a field's.
func (c *ContextConfig) hold(name string) Hold {
	switch name {
	case record.ItemPerson:
		return c.Person.or(defaultPerson)
	case record.ItemSample:
		return c.Sample.or(defaultSample)
	case record.ItemMethod:
		return c.Method.or(defaultOther)
	case record.ItemRun:
		return c.Run.or(defaultOther)
	case record.ItemLot:
		return c.Lot.or(defaultOther)
	}
	return c.Fields.or(defaultOther)
}

func (h Hold) or(d Hold) Hold {
	if h.For == 0 {
		h.For = d.For
	}
	if h.Idle == 0 {
		h.Idle = d.Idle
	}
	if h.Uses == 0 {
		h.Uses = d.Uses
	}
	return h
}

func (c *ContextConfig) check(r *strict.Report) {
	for _, one := range []struct {
		key  string
		hold Hold
	}{{"person", c.Person}, {"sample", c.Sample}, {"method", c.Method}, {"run", c.Run}, {"lot", c.Lot}, {"fields", c.Fields}} {
		one.hold.check(r.At(one.key))
	}
	if c.Fields.Needed {
		r.At("fields").At("needed").Fault("names no field", "leave it out: a weighing can need a person, sample, method, run or lot")
	}
}

func (h Hold) check(r *strict.Report) {
	checkLength(r, "for", h.For)
	checkLength(r, "idle", h.Idle)
	checkUses(r, h.Uses)
}

func checkLength(r *strict.Report, key string, d strict.Duration) {
	if length := time.Duration(d); length != 0 && (length < time.Second || length > longestFor) {
		r.At(key).Fault(fmt.Sprintf("%s is out of range", length), "1s to 744h, or left out for the default")
	}
}

func checkUses(r *strict.Report, n int) {
	if n < -1 || n > mostUses {
		r.At("uses").Fault(fmt.Sprintf("%d is out of range", n), fmt.Sprintf("1 to %d, or -1 for until it is replaced", mostUses))
	}
}
