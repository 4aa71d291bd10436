package procedure

import (
	"fmt"

	"weighpost/gateway/record"
)

// Act decides what becomes of an act: the entries that are to be recorded, those of what follows by itself included. The run stays as it is
// until they are applied. The error is a *record.NotDone with a sentence where the act cannot be done now; nothing is to be recorded then.
// Abandon gives no entries: where it is allowed, whoever asks ends the run.
func (r *Run) Act(act Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	do, err := r.meant(act)
	if err != nil {
		return nil, err
	}
	if r.closed != "" {
		return nil, notDone("the run has ended: nothing is done to it any more")
	}
	if err := r.mayAct(act, by, f); err != nil {
		return nil, err
	}
	if len(r.all) >= MaxEntries && act.Abandon == "" {
		return nil, notDone("the run has %d entries, which is the most: it can only be abandoned", len(r.all))
	}
	c := r.Clone()
	steps := c.follow(now) // what was due anyway
	more, err := do(c, act, by, now, f)
	if err != nil {
		return nil, err
	}
	for _, e := range more {
		if e.Balance == nil && f.Balance.ID != "" && f.Balance.ID == r.balance {
			b := f.Balance
			e.Balance = &b
		}
		c.pretend(e, now)
	}
	return append(append(steps, more...), c.follow(now)...), nil
}

type doing func(r *Run, act Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error)

// meant finds which act it is.
func (r *Run) meant(a Act) (do doing, err error) {
	n := 0
	for _, one := range []struct {
		there bool
		do    doing
	}{{a.Scan != "", (*Run).scan}, {a.Answer != "", (*Run).answer}, {a.Read != nil, (*Run).readOff}, {a.Done, (*Run).doneWith}, {a.Yes, (*Run).confirm}, {a.Late != "", (*Run).late},
		{a.Back != "", (*Run).back}, {a.Repeat != "", (*Run).repeat}, {a.Allow != "", (*Run).allow}, {a.Leave != "", (*Run).leave}, {a.Aside, (*Run).putAside},
		{a.At != "", (*Run).goAt}, {a.Over, (*Run).handOver}, {a.Abandon != "", (*Run).abandon}} {
		if one.there {
			do = one.do
			n++
		}
	}
	if n != 1 {
		return nil, notDone("%d acts are asked for at once, or none: one is done at a time", n)
	}
	for _, reason := range []string{a.Back, a.Repeat, a.Allow, a.Leave, a.Abandon} {
		if err := plainText(reason, 500); reason != "" && err != nil {
			return nil, notDone("the reason cannot be kept: %v", err)
		}
	}
	if a.Ref != "" {
		if err := plainText(a.Ref, 128); err != nil {
			return nil, notDone("the reference cannot be kept: %v", err)
		}
	}
	return do, nil
}

// mayAct says who may: whoever performs the run, and for what needs another person, that other person.
func (r *Run) mayAct(a Act, by record.Actor, f Facts) error {
	switch {
	case by.ID == r.by.ID, a.Yes, a.Over:
		return nil
	case (a.Allow != "" || a.Repeat != "" || a.Abandon != "") && f.MayAllow:
		return nil
	}
	return notDone("%s performs this run: take it over first", clip(r.by.Shown()))
}

// waits refuses an act that the run does not wait for.
func (r *Run) waits(what string) error {
	n := r.next(Facts{}, false)
	switch {
	case n.Waiting == what:
		return nil
	case n.Waiting == ForAllowed && r.state.pending != nil:
		return notDone("the value of the step %s is outside its limits: that comes first", r.state.pending.Step)
	case n.Explains != "":
		return notDone("%s: step back, or abandon the run", n.Explains)
	}
	return notDone("the run does not wait for that, but for: %s", says[n.Waiting])
}

// says gives what a run waits for as a sentence has it.
var says = map[string]string{
	ForScan: "a scan", ForAnswer: "an answer", ForDone: "somebody to say that the step is done", ForWeight: "a weight", ForBalance: "a balance to go on at",
	ForSecond: "a second person", ForTime: "the end of the wait", ForAllowed: "somebody who may let it go on", ForEnd: "its end", ForNothing: "nothing, since it has ended",
}

func (r *Run) stop(format string, args ...any) ([]*record.RunStep, error) {
	e := r.entry(record.StepStopped)
	e.Why = fmt.Sprintf(format, args...)
	return []*record.RunStep{e}, nil
}
