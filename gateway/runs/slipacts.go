package runs

import (
	"context"
	"fmt"
	"strings"

	"weighpost/gateway/record"
)

// EnterSlip records a slip that was typed in: what ReadSlip made, with balance, person and picture. sure says that it is none of those that are
// alike, which are weighings that the journal has; slips that were typed in are found here. keep has the picture on the disk before the entry is
// made. The error is a *record.NotDone, or that of keep or of the journal.
func (r *Room) EnterSlip(ctx context.Context, l *record.LateEntered, sure bool, by record.Actor, keep func() error) (KnownSlip, error) {
	done, err := r.view.Take(ctx)
	if err != nil {
		return KnownSlip{}, err
	}
	defer done()
	waiting := len(r.Slips(SlipsAsked{State: SlipWaiting}))
	if waiting >= mostUndecided {
		return KnownSlip{}, notDone("%d slips wait for a second person, which is the most: decide those first", waiting)
	}
	for _, other := range r.slipsLike(l) {
		l.Alike = append(l.Alike, refOf(other.Entered.Head))
	}
	if len(l.Alike) > 0 && !sure {
		return KnownSlip{}, &record.NotDone{Field: "sure", Why: fmt.Sprintf("It may be there already: the journal has %s of balance %s within two minutes of that time (%s). Look at it, and say so if this is another one",
			l.Value.Shown(), l.Balance.ID, l.Alike[0].ID)}
	}
	if err := keep(); err != nil {
		return KnownSlip{}, fmt.Errorf("the picture could not be kept: %w", err)
	}
	l.Origin, l.By, l.Stamp = r.o.Config().Origin(), by, r.o.Stamp()
	entries, err := r.view.Append(ctx, l)
	if err != nil {
		return KnownSlip{}, err
	}
	s, _ := r.Slip(entries[0].ID)
	return s, nil
}

// slipsLike finds slips of the same balance, digits and time that were not turned down.
func (r *Room) slipsLike(l *record.LateEntered) (list []KnownSlip) {
	for _, s := range r.Slips(SlipsAsked{Balance: l.Balance.ID}) {
		apart := s.Entered.Weighed.Time().Sub(l.Weighed.Time())
		if s.State() != SlipTurnedDown && SameDigits(s.Entered.Value.Digits, l.Value.Digits) && apart.Abs() <= AlikeWithin {
			list = append(list, s)
		}
	}
	return list
}

// DecideSlip records that a second person confirmed a slip or turned it down. The error is record.ErrNoSlip, or a *record.NotDone.
func (r *Room) DecideSlip(ctx context.Context, entry string, confirmed bool, reason string, by record.Actor) (KnownSlip, error) {
	if err := checkReason(reason, !confirmed); err != nil {
		return KnownSlip{}, err
	}
	done, err := r.view.Take(ctx)
	if err != nil {
		return KnownSlip{}, err
	}
	defer done()
	s, known := r.Slip(entry)
	if !known {
		return s, record.ErrNoSlip
	}
	l := s.Entered
	switch person := l.Context.Person; {
	case s.Decided != nil:
		return s, notDone("%s has decided already: it is %s", s.Decided.By.Shown(), s.State())
	case same(by, l.By.ID) || same(by, l.By.Name):
		return s, notDone("%s typed it in: another person holds it against the slip", l.By.Shown())
	case person != nil && (same(by, person.ID) || same(by, person.Name)):
		return s, notDone("%s weighed it: another person holds it against the slip", shown(person))
	}
	d := &record.LateDecided{Balance: l.Balance, Entered: refOf(l.Head), Confirmed: confirmed, Reason: reason, By: by, Stamp: r.o.Stamp()}
	if _, err := r.view.Append(ctx, d); err != nil {
		return KnownSlip{}, err
	}
	s, _ = r.Slip(entry)
	return s, nil
}

// same says whether a name is that of whoever acts: their id, or the name by which the host's token names people.
func same(by record.Actor, name string) bool {
	return name != "" && (strings.EqualFold(name, by.ID) || strings.EqualFold(name, by.Name))
}
