package fitness

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"weighpost/gateway/record"
)

// Look brings the state of every balance up to date, and reminds once of each check that is due and once of each that is overdue.
func (r *Room) Look(ctx context.Context) error {
	done, err := r.view.Take(ctx)
	if err != nil {
		return err
	}
	defer done()
	for _, b := range r.o.Balances() {
		if err := r.move(ctx, b, record.Actor{By: record.ActorSchedule}); err != nil {
			return err
		}
	}
	return nil
}

// move appends what the state of a balance should be now, where it is another. The caller has taken the room.
func (r *Room) move(ctx context.Context, b Balance, by record.Actor) error {
	stamp := r.o.Stamp()
	now := stamp.UTC.Time()
	var bodies []record.Body
	r.view.Lock()
	f := r.file(b.Describe.ID)
	for _, s := range b.Config.Checks {
		d := f.due(s, r.began, r.o.Zone)
		for _, overdue := range []bool{false, true} {
			at := d.At
			if overdue {
				at = d.Overdue
			}
			key := s.Check + " " + wordOf(overdue)
			if at.IsZero() || now.Before(at) || f.Reminded[key].Time().Equal(record.UTC(d.At).Time()) {
				continue
			}
			bodies = append(bodies, &record.CheckReminder{Balance: b.Describe, Definition: s.Check, Due: record.UTC(d.At), Overdue: overdue, Stamp: stamp})
		}
	}
	state, cause, reason := f.stateOf(b.Config, r.began, now, r.o.Zone)
	was := f.State
	check := ""
	switch {
	case f.Running != nil:
		check = f.Running.Begun.Check.ID
	case was == record.InCheck && len(f.Checks) > 0:
		last := f.Checks[len(f.Checks)-1]
		check = last.Check.ID
		if cause == record.BySchedule {
			cause = record.ByCheckEnded
			if passing(last.Outcome) {
				cause = record.ByCheckPassed
			}
		}
	}
	r.view.Unlock()
	if state != was {
		if cause == record.BySchedule {
			by = record.Actor{By: record.ActorSchedule} // whatever somebody did just before
		}
		bodies = append(bodies, &record.FitnessChanged{Balance: b.Describe, State: state, Was: was, Cause: cause, Check: check, Reason: reason, By: by, Stamp: stamp})
	}
	if _, err := r.view.Append(ctx, bodies...); err != nil {
		return err
	}
	if state != was && r.o.Changed != nil {
		r.o.Changed(b.Describe.ID, r.Of(b.Describe.ID))
	}
	return nil
}

// act does something to the file of a balance: what make gives is appended, and the balance's state follows. Nothing happens where it gives
// nothing.
func (r *Room) act(ctx context.Context, balance string, by record.Actor, make func(b Balance, f *file, stamp record.Stamp) (record.Body, error)) error {
	done, err := r.view.Take(ctx)
	if err != nil {
		return err
	}
	defer done()
	b, ok := r.configured(balance)
	if !ok {
		return record.ErrNoBalance
	}
	stamp := r.o.Stamp()
	r.view.Lock()
	body, err := make(b, r.file(balance), stamp)
	r.view.Unlock()
	if err != nil || body == nil {
		return err
	}
	if _, err := r.view.Append(ctx, body); err != nil {
		return err
	}
	if c, ok := body.(*record.FitnessChanged); ok && r.o.Changed != nil {
		r.o.Changed(balance, record.Fitness{State: c.State})
	}
	return r.move(ctx, b, by)
}

func given(reason string) error {
	if strings.TrimSpace(reason) == "" {
		return refuse("this is done for a reason: give one")
	}
	if len(reason) > 1000 {
		return refuse("the reason has %d bytes: at most 1000 are kept", len(reason))
	}
	return nil
}

// TakeOut takes a balance out of service.
func (r *Room) TakeOut(ctx context.Context, balance, reason string, by record.Actor) error {
	return r.act(ctx, balance, by, func(b Balance, f *file, stamp record.Stamp) (record.Body, error) {
		if err := given(reason); err != nil {
			return nil, err
		}
		if f.State == record.OutOfService {
			return nil, refuse("the balance %s is out of service already", balance)
		}
		return &record.FitnessChanged{Balance: b.Describe, State: record.OutOfService, Was: f.State, Cause: record.ByPerson, Reason: reason, By: by, Stamp: stamp}, nil
	})
}

// PutBack puts a balance back into service without a check that passes: a person answers for it. What a failed check throws doubt on stays
// to be judged.
func (r *Room) PutBack(ctx context.Context, balance, reason string, by record.Actor) error {
	return r.act(ctx, balance, by, func(b Balance, f *file, stamp record.Stamp) (record.Body, error) {
		if err := given(reason); err != nil {
			return nil, err
		}
		switch {
		case f.State != record.OutOfService:
			return nil, refuse("the balance %s is not out of service: it is %s", balance, f.State)
		case f.TakenOut == "" && len(f.Failed) == 0:
			return nil, refuse("the balance %s is out of service because a check is overdue: only the check ends that", balance)
		}
		return &record.FitnessChanged{Balance: b.Describe, State: record.InService, Was: f.State, Cause: record.ByPerson, Reason: reason, By: by, Stamp: stamp}, nil
	})
}

// Upkeep records that a balance was adjusted, moved, repaired, calibrated or maintained.
func (r *Room) Upkeep(ctx context.Context, balance string, u record.Upkeep) error {
	return r.act(ctx, balance, u.By, func(b Balance, f *file, stamp record.Stamp) (record.Body, error) {
		if err := f.upkeepFits(&u); err != nil {
			return nil, err
		}
		if u.Calibration != nil {
			if err := checkCalibration(u.Calibration, dayFor(stamp, r.o.Zone)); err != nil {
				return nil, err
			}
		}
		u.Balance, u.Stamp = b.Describe, stamp
		return &u, nil
	})
}

// upkeepFits refuses what would hide an error: an adjustment or repair names the check from before it, or says why there is none.
func (f *file) upkeepFits(u *record.Upkeep) error {
	switch u.Act {
	case record.Adjusted, record.Repaired:
		if u.AsFound == "" && strings.TrimSpace(u.Unfound) == "" {
			return wrong("no_as_found_because", "what the balance showed before the %s would be lost: check it first and name that check as found, or say why there is none", u.Act)
		}
	case record.Moved, record.Serviced:
	case record.Calibrated:
		if u.Calibration == nil || u.Calibration.Number == "" || u.Calibration.Date == "" {
			at := "calibration.number"
			if u.Calibration != nil && u.Calibration.Number != "" {
				at = "calibration.date"
			}
			return wrong(at, "a calibration has a certificate with a number and a date")
		}
	default:
		return refuse("%.40q is nothing that is done to a balance: adjustment, move, repair, calibration or maintenance", u.Act)
	}
	if u.Calibration != nil && u.Act != record.Calibrated {
		return refuse("a certificate belongs to a calibration, and this is a %s: note the calibration by itself", u.Act)
	}
	return f.checksFit(u)
}

// checksFit refuses a check from before what was done that tells nothing of how the balance was found: one without a verdict, one from before
// the adjustment or repair before; and one from after it that was not after.
func (f *file) checksFit(u *record.Upkeep) error {
	for _, id := range []string{u.AsFound, u.AsLeft} {
		switch one := f.check(id); {
		case id == "":
		case one == nil:
			return refuse("no check %.80q of this balance is known", id)
		case one.Outcome == record.CheckAborted:
			return refuse("the check %s ended without a verdict, and says nothing of the balance", id)
		}
	}
	found, left := f.check(u.AsFound), f.check(u.AsLeft)
	if found != nil && left != nil && left.Begun.Seq <= found.Seq {
		return refuse("the check %s as left was begun before %s, as found, had ended", u.AsLeft, u.AsFound)
	}
	if found == nil {
		return nil
	}
	for _, act := range []string{record.Adjusted, record.Repaired} {
		if found.Begun.Seq < f.ActSeqs[act] {
			return refuse("the check %s is from before the %s that is noted already: it does not say what the balance showed before this %s. Name a later one, or say why there is none", u.AsFound, act, u.Act)
		}
	}
	return nil
}

func (f *file) check(id string) *record.CheckEnded {
	for _, c := range f.Checks {
		if c.Check.ID == id {
			return c
		}
	}
	return nil
}

// Begin records that a check begins, and gives it its number. Only one runs on a balance at a time.
func (r *Room) Begin(ctx context.Context, e *record.CheckBegun) error {
	return r.act(ctx, e.Balance.ID, e.By, func(_ Balance, f *file, stamp record.Stamp) (record.Body, error) {
		if f.Running != nil {
			return nil, refuse("a check of %s is under way, begun by %s: end it first", e.Balance.ID, f.Running.Begun.By.Shown())
		}
		e.Check.ID, e.Stamp = fmt.Sprintf("%s/c%06d", e.Balance.ID, f.Number+1), stamp
		return e, nil
	})
}

// Step records one attempt of the check that runs on a balance.
func (r *Room) Step(ctx context.Context, e *record.CheckStep) error {
	return r.act(ctx, e.Balance.ID, e.By, func(_ Balance, f *file, stamp record.Stamp) (record.Body, error) {
		if f.Running == nil || f.Running.Begun.Check.ID != e.Check.ID {
			return nil, refuse("the check %s does not run any more", e.Check.ID)
		}
		if e.Stamp.UTC.Time().IsZero() {
			e.Stamp = stamp
		}
		return e, nil
	})
}

// End records what the check that runs on a balance found. The balance's state follows.
func (r *Room) End(ctx context.Context, e *record.CheckEnded) error {
	return r.act(ctx, e.Balance.ID, e.By, func(_ Balance, f *file, stamp record.Stamp) (record.Body, error) {
		if f.Running == nil || f.Running.Begun.Check.ID != e.Check.ID {
			return nil, refuse("the check %s does not run any more", e.Check.ID)
		}
		e.Begun, e.Why, e.Stamp = record.EntryRef{Seq: f.Running.Begun.Seq, ID: f.Running.Begun.ID}, f.Running.Begun.Why, stamp
		e.Steps = e.Steps[:0]
		for _, s := range f.Running.Steps {
			e.Steps = append(e.Steps, record.EntryRef{Seq: s.Seq, ID: s.ID})
		}
		return e, nil
	})
}

// Running gives the check that runs on a balance, with the attempts recorded so far, or nil.
func (r *Room) Running(balance string) (begun *record.CheckBegun, steps []*record.CheckStep) {
	r.view.Lock()
	defer r.view.Unlock()
	f := r.files[balance]
	if f == nil || f.Running == nil {
		return nil, nil
	}
	return f.Running.Begun, append([]*record.CheckStep(nil), f.Running.Steps...)
}

// JudgeAffected records whether weighings are affected by a failed check, 1 to record.MostReleased of them, and says of how many. rest: only of
// those that nobody has judged by then, so that a judgement on many does not take the place of one that somebody has just made.
func (r *Room) JudgeAffected(ctx context.Context, a record.AffectedJudged, rest bool) (n int, err error) {
	err = r.act(ctx, a.Balance.ID, a.By, func(b Balance, f *file, stamp record.Stamp) (record.Body, error) {
		if err := given(a.Reason); err != nil {
			return nil, err
		}
		one := f.failure(a.Check)
		switch {
		case one == nil:
			return nil, refuse("no failed check %.80q of this balance is known", a.Check)
		case one.Closed:
			return nil, refuse("the failed check %s is closed", a.Check)
		case a.Effect != record.EffectNone && a.Effect != record.EffectAffected:
			return nil, refuse("%.40q is no judgement: no effect, or affected", a.Effect)
		case len(a.Weighings) == 0 || len(a.Weighings) > record.MostReleased:
			return nil, refuse("%d weighings are judged at once: 1 to %d can be", len(a.Weighings), record.MostReleased)
		}
		for _, w := range a.Weighings {
			if w.Seq <= one.After || w.Seq >= one.Before {
				return nil, refuse("the weighing %s is not among those that the check %s throws doubt on", w.ID, a.Check)
			}
		}
		if rest {
			a.Weighings = slices.DeleteFunc(slices.Clone(a.Weighings), func(w record.EntryRef) bool { return one.Judged[w.Seq] != "" })
		}
		if n = len(a.Weighings); n == 0 {
			return nil, nil
		}
		a.Balance, a.Stamp = b.Describe, stamp
		return &a, nil
	})
	return n, err
}

// Close records that all that a failed check throws doubt on has been judged. unjudged counts the weighings of the balance in doubt that are
// not among those judged.
func (r *Room) Close(ctx context.Context, balance, check, reason string, by record.Actor, unjudged func(ctx context.Context, f Failure) (int, error)) error {
	one, ok := r.Failure(balance, check)
	if !ok {
		return refuse("no failed check %.80q of this balance is known", check)
	}
	n, err := unjudged(ctx, one)
	if err != nil {
		return err
	}
	if n > 0 {
		return refuse("%d weighings between the last good check and this one are not judged: it cannot be closed while one is not", n)
	}
	return r.act(ctx, balance, by, func(b Balance, f *file, stamp record.Stamp) (record.Body, error) {
		if err := given(reason); err != nil {
			return nil, err
		}
		now := f.failure(check)
		if now == nil || now.Closed {
			return nil, refuse("the failed check %s is closed", check)
		}
		return &record.FailureClosed{Balance: b.Describe, Check: check, Judged: len(now.Judged), Affected: now.Affected(), Reason: reason, By: by, Stamp: stamp}, nil
	})
}
