package intake

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/record"
)

// Samples knows which samples were announced, where one is held and where it was weighed. Its methods are called while the balance's
// own lock is held: they never wait, and never call an intake.
type Samples interface {
	// Sample gives what was announced of a sample. ready is false as long as that is still being read.
	Sample(id string) (s record.KnownSample, known, ready bool)
	// Hold says that a balance holds a sample until a time (zero: no limit), in place of the one that it held; "" for none. It gives the
	// other balances that hold the same sample at a time. Of two balances that take one sample at once, the second is told of the first.
	Hold(balance, id string, until, at time.Time) (others []string)
	// Weighed says that a sample was weighed at a balance, and WeighedAt when that was last; zero: not that it is known.
	Weighed(balance, id string, at time.Time)
	WeighedAt(balance, id string) time.Time
}

// Rules of the verdicts that the policy for samples gives.
const (
	ruleKnown   = "sample-known"
	ruleAgain   = "sample-not-weighed-before"
	ruleHere    = "sample-only-here"
	ruleInDate  = "sample-in-date"
	rulePattern = "sample-pattern"
	ruleAsOnce  = "sample-as-announced"
)

// doubleRead is how soon the same scan is the scanner that read it twice, and not a person who means it.
const doubleRead = time.Second

// unsure is a request that was asked about and can still be confirmed.
type unsure struct {
	key     string
	at      time.Time
	request *record.ContextRequest
}

// ruling is what the policy says of a request.
type ruling struct {
	action   string // accepts, asks, refuses
	verdicts []record.Verdict
	brought  map[string]bool // items that were added because the sample brings them
	from     string          // who announced it
}

func (r *ruling) find(action, rule, why string) {
	if action == accepts {
		return
	}
	r.verdicts = append(r.verdicts, record.Verdict{Rule: rule, Why: why})
	if r.action != refuses {
		r.action = action
	}
}

// sentence says what is unusual.
func (r *ruling) sentence() string {
	var all []string
	for _, v := range r.verdicts {
		all = append(all, v.Why)
	}
	return strings.Join(all, "; ")
}

// judgeSample says what the policy says of the sample that a request names, and adds to named what the sample brings along.
func (in *Intake) judgeSample(r *record.ContextRequest, named map[string]*record.ContextItem) *ruling {
	verdict := &ruling{action: accepts}
	item := named[record.ItemSample]
	if item == nil || item.ID == "" {
		return verdict
	}
	id, p := item.ID, &in.policy
	if p.fits != nil && !p.fits.MatchString(id) {
		verdict.find(refuses, rulePattern, fmt.Sprintf("the sample %q does not look as samples here do (%s)", id, p.Pattern))
		return verdict
	}
	if !item.Ends.IsZero() && !r.At.Before(item.Ends) {
		verdict.find(p.Expired, ruleInDate, fmt.Sprintf("the label says that it was to be used before %s", item.Ends.Format("2 January 2006")))
	}
	in.judgeKnown(verdict, r, named, id)
	last := in.weighedAt(id)
	if ago := r.At.Sub(last); !last.IsZero() && ago <= time.Duration(p.Within) {
		verdict.find(p.Again, ruleAgain, fmt.Sprintf("the sample was weighed at this balance %s ago", sayAge(ago)))
	}
	if in.samples != nil {
		if others := in.samples.Hold(in.cfg.ID, id, time.Time{}, r.At); len(others) > 0 {
			verdict.find(p.Elsewhere, ruleHere, "the sample is held at "+strings.Join(others, ", ")+" now")
		}
		in.tellHeld = true // what is held is told anew, whatever comes of this
	}
	return verdict
}

// judgeKnown is about what was announced.
func (in *Intake) judgeKnown(verdict *ruling, r *record.ContextRequest, named map[string]*record.ContextItem, id string) {
	var known record.KnownSample
	found, ready := false, true
	if in.samples != nil {
		known, found, ready = in.samples.Sample(id)
	}
	switch {
	case !ready && in.policy.Unknown != accepts:
		verdict.find(refuses, ruleKnown, "which samples were announced is still being read: try again in a moment")
		return
	case !found:
		verdict.find(in.policy.Unknown, ruleKnown, "the sample was not announced")
		return
	case known.Expired(r.At):
		verdict.find(in.policy.Expired, ruleInDate, "the sample was announced to be weighed before "+known.Expires.Time().Format("2 January 2006 15:04 MST"))
	}
	verdict.from, verdict.brought = "announced by "+known.By.Shown(), map[string]bool{}
	for name, value := range known.Brings() {
		switch given := named[name]; {
		case given == nil || given.ID == "":
			named[name] = &record.ContextItem{ID: value, For: named[record.ItemSample].For, Uses: -1}
			verdict.brought[name] = true
		case r.Sure && (name == record.ItemMethod || name == record.ItemRun): // a run is bound to its own procedure
		case given.ID != value:
			verdict.find(refuses, ruleAsOnce, fmt.Sprintf("its %s is %q, and the sample was announced with %q", name, given.ID, value))
		}
	}
}

// weighedAt is when a sample was weighed here last, or zero.
func (in *Intake) weighedAt(id string) time.Time {
	if in.samples != nil {
		return in.samples.WeighedAt(in.cfg.ID, id)
	}
	return time.Time{}
}

// confirmed says whether a request that the policy asks about was asked about before and is now confirmed; soon, that it is the same
// scan read twice.
func (in *Intake) confirmed(r *record.ContextRequest, named map[string]*record.ContextItem, verdict *ruling) (yes, soon bool) {
	q, key := in.unsure, keyOf(r, named, verdict)
	ago := r.At.Sub(q.at)
	if q.key != key || ago > record.ConfirmWithin {
		asked := *r
		in.unsure = unsure{key, r.At, &asked}
		return false, false
	}
	if again := r.By == record.ByScanned && len(r.Raw) > 0; !r.Confirm && again && ago < doubleRead {
		return false, true
	} else if !r.Confirm && !again {
		in.unsure.at = r.At
		return false, false
	}
	in.unsure = unsure{}
	return true, false
}

// keyOf tells requests apart: by who asks, what for, and what is unusual about it.
func keyOf(r *record.ContextRequest, named map[string]*record.ContextItem, verdict *ruling) string {
	key := []string{r.By}
	if r.Actor != nil {
		key = append(key, r.Actor.By, r.Actor.ID)
	}
	for _, name := range slices.Sorted(maps.Keys(named)) {
		key = append(key, name, named[name].ID)
	}
	for _, v := range verdict.verdicts {
		key = append(key, v.Rule)
	}
	return strings.Join(key, "\x00")
}

// notTaken journals that a sample was asked about or refused. The sample before it ends with what it brought, from the moment of the
// request on: whoever scanned another one is not weighing that one any more.
func (in *Intake) notTaken(r *record.ContextRequest, m moment, open []*ticket, verdict *ruling) error {
	cause, why := "refused", "The sample was refused: "+verdict.sentence()+"."
	if verdict.action == asks {
		cause, why = "asked", "The sample was not taken yet: "+verdict.sentence()+". Confirm within 30 s that it is meant."
	}
	in.answers.sample = "Without a sample: the one before was not taken, since " + verdict.sentence() + "."
	e := in.changeEntry(r, cause, why)
	e.Verdicts = verdict.verdicts
	ended := in.endWith(record.ItemSample, m)
	for _, t := range open {
		for _, name := range ended {
			t.give(name, nil)
		}
	}
	e.After = in.context.shown(r.At)
	in.putRefused(e, r.At)
	what := "What was asked for"
	if r.By == record.ByScanned {
		what = fmt.Sprintf("The scan %q", clip(r.Raw))
		if cause == "asked" {
			why = strings.TrimSuffix(why, "Confirm within 30 s that it is meant.") + "Scan it once more within 30 s if it is meant."
		}
	}
	in.raiseRefused(fmt.Sprintf("%s at balance %s was not carried out. %s", what, in.cfg.ID, why))
	return &record.ContextRefused{Why: why, Noted: true, Ask: cause == "asked"}
}

// endWith ends an item and what came along with it, and gives their names.
func (in *Intake) endWith(name string, m moment) (ended []string) {
	item := in.context.nowItem(name)
	for one, t := range in.context {
		if one == name && item != nil || t.now.item != nil && t.now.item.with != nil && t.now.item.with == item {
			in.context.set(one, version{m, nil})
			ended = append(ended, one)
		}
	}
	return ended
}

// holdSample tells the other balances which sample is held here now.
func (in *Intake) holdSample(now time.Time) {
	if in.samples == nil {
		return
	}
	id, until := "", time.Time{}
	if h := in.context.held(record.ItemSample, now); h != nil {
		id, until = h.id, h.ends()
	}
	if !in.tellHeld && id == in.told.id && until.Equal(in.told.until) {
		return
	}
	in.tellHeld, in.told.id, in.told.until = false, id, until
	in.samples.Hold(in.cfg.ID, id, until, now)
}

// sayAge says a length of time as people do.
func sayAge(d time.Duration) string {
	switch {
	case d < time.Minute:
		return fmt.Sprintf("%d s", d/time.Second)
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", d/time.Minute)
	}
	return fmt.Sprintf("%d h", d/time.Hour)
}

// heldTold is what the other balances were told last.
type heldTold struct {
	id    string
	until time.Time
}
