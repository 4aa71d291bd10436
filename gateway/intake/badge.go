package intake

import (
	"context"
	"errors"
	"fmt"
	"time"

	"weighpost/gateway/record"
)

const (
	// badgeLimit is how long it may take to find out whose badge it is.
	badgeLimit = 5 * time.Second
	// badgePatience is how long weighings wait for that. It is below openLimit, so that they do not lose their sample with the person.
	badgePatience = openLimit - 50*time.Millisecond
)

// badging is a badge that was scanned, as long as it is not known whose it is. The latest counts.
type badging struct {
	number  uint64        // of the latest
	waiting bool          // weighings wait for it
	first   moment        // since when they wait: of the first badge of which it is not known whose it is
	looked  chan struct{} // closed once the one before was looked up: they are in the order in which they were scanned
}

// badge has somebody found out whose badge was scanned. That takes the journal, so it is done beside the line, with the moment of the
// scan: a weighing that was printed after it waits for a moment, and then goes without a person. Whoever was signed in before is not
// any more from the moment of the scan on, whatever becomes of it: somebody else stands there, and a weighing without a person is
// better than one with the wrong one.
func (in *Intake) badge(code string, r record.ContextRequest, m moment) (done *awaitedBadge) {
	answer := make(chan error, 1)
	done = &awaitedBadge{answer: answer}
	was := ""
	if h := in.context.held(record.ItemPerson, r.At); h != nil {
		was = h.id
	}
	refuse := func(why string) *awaitedBadge {
		answer <- in.badgeRefused(&r, m, was, why)
		return done
	}
	if why := in.unfit(&r, map[string]*record.ContextItem{record.ItemPerson: {}}); why != "" {
		return refuse(why)
	}
	if in.life.Err() != nil {
		return refuse("weighpost stops reading this balance.")
	}
	if in.people == nil {
		return refuse("No badge can sign anybody in: no people are configured.")
	}
	in.badging.number++
	number := in.badging.number
	if !in.badging.waiting {
		in.badging.waiting, in.badging.first = true, m
		in.arriving.Add(1)
	}
	release := time.AfterFunc(badgePatience, func() { in.badgeLate(number, r, m) })
	where, people, balance := r.Where, in.people, in.cfg.ID
	before, looked := in.badging.looked, make(chan struct{})
	in.badging.looked = looked
	in.beside.Go(func() {
		ctx, cancel := context.WithTimeout(in.life, badgeLimit)
		defer cancel()
		defer close(looked)
		if before != nil {
			<-before // within its own limit: of two people who sign in, the later one stays
		}
		who, err := people.Badge(ctx, Badge{Code: code, Balance: balance, Where: where})
		release.Stop()
		in.mu.Lock()
		defer in.mu.Unlock()
		err = in.badgeKnown(number, r, m, was, who, err)
		in.settle(in.now())
		in.reckonDue()
		answer <- err
	})
	return done
}

// awaitedBadge tells what became of a badge, or of a scan for a run.
type awaitedBadge struct{ answer <-chan error }

// badgeLate lets weighings go without a person, who ends with the moment of the scan.
func (in *Intake) badgeLate(number uint64, r record.ContextRequest, m moment) {
	in.mu.Lock()
	defer in.mu.Unlock()
	if number != in.badging.number || !in.badging.waiting {
		return
	}
	in.takeBack()
	in.badgeDone()
	if in.context.held(record.ItemPerson, r.At) != nil || len(in.unsettled()) > 0 {
		e := in.changeEntry(&r, "refused", "A badge was scanned, and it is not known yet whose it is: the person before is not signed in any more.")
		in.endPerson(&r, m)
		e.After = in.context.shown(r.At)
		in.putRefused(e, r.At)
	}
	in.settle(in.now())
	in.reckonDue()
}

// badgeDone has weighings wait no more.
func (in *Intake) badgeDone() {
	if in.badging.waiting {
		in.badging.waiting = false
		in.arriving.Add(-1)
	}
}

// dropBadge forgets a badge of which it is not known yet whose it is: something newer was said of the person.
func (in *Intake) dropBadge() {
	in.badging.number++
	in.takeBack()
	in.badgeDone()
}

// takeBack has weighings that wait for a badge, and came after it, go without the person before: somebody else stood there by then.
func (in *Intake) takeBack() {
	if !in.badging.waiting {
		return
	}
	for _, t := range in.unsettled() {
		switch {
		case in.badging.first.before(t.m):
			t.give(record.ItemPerson, nil)
		case !t.m.before(in.badging.first):
			t.doubts([]string{record.ItemPerson})
		}
	}
}

// badgeKnown signs the person in whose badge it is, or refuses it.
func (in *Intake) badgeKnown(number uint64, r record.ContextRequest, m moment, was string, who record.ContextItem, err error) error {
	if number != in.badging.number {
		in.notHere(who)
		return in.refuseContext(&r, nil, "Something newer was said of who weighs while it was found out whose badge it is.", false)
	}
	if late := !in.badging.waiting; late { // weighings went without: it counts from now on
		r.At = in.now()
		m = moment{r.At, r.At}
	}
	in.takeBack()
	in.badgeDone()
	switch {
	case err == nil && record.CheckContextID(who.ID) == nil:
		r.Person = &who
		if _, err = in.change(&r, m); err != nil {
			in.endPerson(&r, m) // whoever was there before is not any more
			in.notHere(who)
		}
		return err
	case err == nil:
		in.notHere(who)
		err = errors.New("the person whose badge it is has no id that can be recorded")
	case errors.Is(err, context.DeadlineExceeded):
		err = fmt.Errorf("whose badge it is could not be found out within %s", badgeLimit)
	}
	return in.badgeRefused(&r, m, was, sentenceOf(err))
}

// badgeRefused says that a badge signs nobody in, and that nobody is signed in. was is who was when it was scanned, "" for nobody.
func (in *Intake) badgeRefused(r *record.ContextRequest, m moment, was, why string) error {
	if was != "" {
		why += fmt.Sprintf(" %q is not signed in any more: sign in again.", was)
	} else {
		why += " Nobody is signed in."
	}
	e := in.changeEntry(r, "refused", why)
	in.endPerson(r, m)
	e.After = in.context.shown(r.At)
	in.putRefused(e, r.At)
	in.raiseRefused(fmt.Sprintf("A badge that was scanned at balance %s signs nobody in. %s", in.cfg.ID, why))
	return &record.ContextRefused{Why: why, Noted: true}
}

// endPerson ends the person from a moment on, also for weighings that came after it and have not left yet.
func (in *Intake) endPerson(r *record.ContextRequest, m moment) {
	if in.context.held(record.ItemPerson, r.At) != nil {
		in.context.set(record.ItemPerson, version{m, nil})
	}
	for _, t := range in.unsettled() {
		switch {
		case m.before(t.m):
			t.give(record.ItemPerson, nil)
		case !t.m.before(m):
			t.doubts([]string{record.ItemPerson})
		}
	}
}

// sentenceOf writes an error as a sentence.
func sentenceOf(err error) string {
	s := err.Error()
	if s == "" {
		return "It is not known why."
	}
	if s[0] >= 'a' && s[0] <= 'z' {
		s = string(s[0]-'a'+'A') + s[1:]
	}
	if last := s[len(s)-1]; last != '.' && last != '!' && last != '?' {
		s += "."
	}
	return s
}
