package intake

import (
	"fmt"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
)

// agreesRule is what the rule of a verdict ends with, after the name of the item: whether what the balance printed can be
// taken, and is what was set.
const agreesRule = "-agrees"

// agreeAll brings together what a balance printed of the context and what was set.
func (in *Intake) agreeAll(w *record.Weighing, c *record.Context) {
	if w.Printed == nil {
		return
	}
	in.agree(w, c, record.ItemPerson, w.Printed.Person)
	in.agree(w, c, record.ItemSample, w.Printed.Sample)
}

// agree brings together an item that the balance printed and the one that was set. Where they are equal, it stays known how
// it was set. Where they differ, or what was printed cannot be an id, neither is chosen.
func (in *Intake) agree(w *record.Weighing, c *record.Context, name, printed string) {
	if printed == "" {
		return
	}
	set, why := c.Get(name), ""
	if err := record.CheckContextID(printed); err != nil {
		why = fmt.Sprintf("what the balance printed, %q, %v", printed, err)
	} else if set != nil && set.ID != printed {
		why = fmt.Sprintf("the balance printed %q and %q was set", printed, set.ID)
	}
	switch {
	case why != "":
		c.Set(name, nil)
		in.raiseDiffers(name, why)
	case set == nil:
		c.Set(name, &record.Learnt{ID: printed, By: record.ByPrinted})
		in.clearDiffers(name)
		return // there is nothing to agree with
	default:
		in.clearDiffers(name)
	}
	w.Verdicts = append(w.Verdicts, record.Verdict{Rule: name + agreesRule, Pass: why == "", Why: why})
}

func (in *Intake) raiseDiffers(name, why string) {
	c := health.Condition{Code: health.SampleDiffers, Remedy: "See which sample was on the pan, and correct the one that is wrong."}
	if name == record.ItemPerson {
		c = health.Condition{Code: health.PersonDiffers, Remedy: "See who weighed, and correct the one that is wrong."}
	}
	c.Subject, c.Severity = in.cfg.ID, health.Warning
	c.Sentence = fmt.Sprintf("A weighing of balance %s has no %s: %s.", in.cfg.ID, name, why)
	c.Remedy += " This goes with the next weighing that takes the " + name + " that the balance prints."
	in.board.Raise(c)
}

func (in *Intake) clearDiffers(name string) {
	code := health.SampleDiffers
	if name == record.ItemPerson {
		code = health.PersonDiffers
	}
	in.board.Clear(code, in.cfg.ID)
}
