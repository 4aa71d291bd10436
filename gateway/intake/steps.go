package intake

import (
	"fmt"
	"slices"

	"weighpost/gateway/record"
)

// How a step was told, for its entry.
var stepHow = map[string]string{
	"key": "by a key of the bench screen", "button": "on the bench screen", "card": "by a card", "print": "by a print with an empty pan", "": "by a request",
}

// step turns what was said of the sample that is on the balance into items that are set or end, and gives the sentence for its entry;
// why says why it cannot be done, or "".
func (in *Intake) step(r *record.ContextRequest) (sentence, why string) {
	h := in.context.nowItem(record.ItemSample)
	held := h.holds(r.At)
	how, named := stepHow[r.How], "The sample"
	if h != nil {
		named = fmt.Sprintf("The sample %q", h.id)
	}
	switch r.Step {
	case record.StepNext:
		r.Sample = &record.ContextItem{}
		if !held {
			return fmt.Sprintf("Next, %s: no sample was held.", how), ""
		}
		return fmt.Sprintf("%s is finished, %s: %s.", named, how, weighedTimes(h.weighed)), ""
	case record.StepRepeat:
		if why := in.cannotRepeat(h, held, r); why != "" {
			return "", why
		}
		r.Sample = &record.ContextItem{ID: h.id, Ends: h.label}
		return fmt.Sprintf("%s holds for one more weighing, %s.", named, how), ""
	case record.StepAbandon:
		r.Sample, r.Run = &record.ContextItem{}, &record.ContextItem{}
		if !held {
			return fmt.Sprintf("Abandoned, %s: no sample was held. What was recorded stays.", how), ""
		}
		return fmt.Sprintf("%s was abandoned, %s: %s, which stays recorded.", named, how, weighedTimes(h.weighed)), ""
	}
	return "", fmt.Sprintf("There is no step %q at a bench: there are next, repeat and abandon.", r.Step)
}

func weighedTimes(n int) string {
	switch n {
	case 0:
		return "it was not weighed"
	case 1:
		return "it was weighed once"
	}
	return fmt.Sprintf("it was weighed %d times", n)
}

// cannotRepeat says why the sample that was on the balance last cannot be weighed once more, or "".
func (in *Intake) cannotRepeat(h *heldItem, held bool, r *record.ContextRequest) string {
	switch {
	case h == nil || !held && h.uses != 0:
		return "There is no sample to repeat: scan it."
	case !h.ends().IsZero() && !r.At.Before(h.ends()):
		return fmt.Sprintf("The time for which the sample %q was set has run out: scan it again.", h.id)
	}
	person := ""
	if p := in.context.held(record.ItemPerson, r.At); p != nil {
		person = p.id
	}
	if h.weighed > 0 && h.weighedBy != person {
		return fmt.Sprintf("The sample %q was weighed by somebody else before: scan it.", h.id)
	}
	return ""
}

// onceMore is the sample that is on the balance, or was last, for one weighing more. How it was learnt stays known.
func (in *Intake) onceMore(r *record.ContextRequest) *heldItem {
	again := *in.context.nowItem(record.ItemSample)
	again.used, again.told = r.At, false
	if again.uses >= 0 {
		again.uses++
	}
	return &again
}

// meansAgain says whether all that is unusual about a sample that is repeated was confirmed when it was set, or is that it is repeated:
// whoever says repeat means that.
func (in *Intake) meansAgain(verdict *ruling) bool {
	h := in.context.nowItem(record.ItemSample)
	return h != nil && !slices.ContainsFunc(verdict.verdicts, func(v record.Verdict) bool {
		before := slices.ContainsFunc(h.verdicts, func(b record.Verdict) bool { return b.Rule == v.Rule })
		return v.Rule != ruleAgain && !before
	})
}

// card carries out a code of weighpost's own, which means the same at every balance. It is refused where it was cut off.
func (in *Intake) card(step, balance string, r *record.ContextRequest, m moment) (done *awaited, err error) {
	why := ""
	switch step {
	case record.CardLabel:
		if done, why = in.confirm(balance, r); why == "" {
			return done, nil
		}
	case record.CardSignOut:
		r.SignOut = true
	case record.CardYes:
		if why = in.sayYes(r); why == "" {
			m = moment{r.At, r.At}
		}
	case "":
		why = "It begins as a card of weighpost's own and is none: scan it again."
	default:
		r.Step, r.How = step, "card"
	}
	if why != "" {
		return nil, in.refuseContext(r, nil, why, false)
	}
	if done, err = in.change(r, m); err == nil {
		in.used(r.At)
	}
	return done, err
}

// sayYes makes of a request that says yes the one that was asked about.
func (in *Intake) sayYes(r *record.ContextRequest) (why string) {
	q := in.unsure
	if q.request == nil || r.At.Sub(q.at) > record.ConfirmWithin {
		return "Nothing is asked here that yes could be the answer to."
	}
	if by, asked := r.Actor, q.request.Actor; by != nil && asked != nil && (by.ID != asked.ID || by.By != asked.By) {
		return "Somebody else was asked."
	}
	at := r.At
	*r = *q.request
	r.Confirm, r.At = true, at
	return ""
}
