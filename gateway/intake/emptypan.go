package intake

import (
	"fmt"
	"math/big"

	"weighpost/gateway/record"
	"weighpost/parsers/layout"
	"weighpost/parsers/strict"
	"weighpost/parsers/unit"
)

// EmptyPan says what it means at the bench that the balance prints while nothing is on its pan.
type EmptyPan struct {
	Means   string `yaml:"means" desc:"next: the sample is finished. repeat: it holds for one more weighing. abandon: it, and the run, are not on the next weighings." enum:"next,repeat,abandon" default:"next"`
	WithinD int    `yaml:"within_d" desc:"How far from zero a weight still counts as an empty pan, in multiples of the readability; 0 to 1000." default:"5"`
}

func (e *EmptyPan) check(r *strict.Report, c *Config) {
	switch e.Means {
	case record.StepNext, record.StepRepeat, record.StepAbandon:
	default:
		r.At("means").Fault(fmt.Sprintf("%q is no step at a bench", e.Means), "next, repeat or abandon")
	}
	if e.WithinD < 0 || e.WithinD > 1000 {
		r.At("within_d").Fault(fmt.Sprintf("%d is out of range", e.WithinD), "0 to 1000")
	}
	if c.Readability.IsZero() {
		r.Fault("counts in multiples of the balance's readability, and no readability is given", `readability: "0.0001 g" beside it, as the balance's plate says`)
	}
	if c.Record.String() != Printed {
		r.Fault("is about what somebody prints, and the balance's rule for what is recorded is "+c.Record.String(), "record: printed, or leave it out")
	}
}

// emptyPan says which step a print means beside its weight, or "": it was printed with an empty pan after the sample that it carries was
// weighed. It is recorded as every print is, and says so.
func (in *Intake) emptyPan(t *ticket) (step string) {
	e := in.cfg.EmptyPan
	one := t.items[record.ItemSample]
	if e == nil || ofRun(t) || t.w.Trigger != Printed || one == nil || !t.takes || !isMass(&in.reading) || in.reading.Stability == layout.Unstable {
		return ""
	}
	d := in.cfg.Readability
	weight := unit.Convert(in.reading.Number, in.reading.Unit, d.Unit)
	most := new(big.Rat).Mul(d.Number.Rat(), big.NewRat(int64(e.WithinD), 1))
	if weight.Abs(weight).Cmp(most) > 0 {
		one.item.loaded = true
		return ""
	}
	if !one.item.loaded {
		return "" // the empty vessel before the first weighing, perhaps
	}
	t.w.Verdicts = append(t.w.Verdicts, record.Verdict{Rule: rulePrintKey, Pass: true,
		Limit: fmt.Sprintf("%d d", e.WithinD), Why: "it was printed with an empty pan, which means " + e.Means + " here"})
	return e.Means
}

// afterPrint carries out what a print meant beside its weight, from right after it on.
func (in *Intake) afterPrint(step string, m moment) {
	if step == "" {
		return
	}
	r := record.ContextRequest{Step: step, How: "print", Where: in.cfg.Port.Address, At: m.hi}
	_, _ = in.change(&r, moment{m.hi, m.hi}) // where it is refused, that is an entry
}
