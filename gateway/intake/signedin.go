package intake

import (
	"time"

	"weighpost/gateway/record"
)

// A person who showed who they are has a session, and weighs here no longer than that lasts. A session at this very balance lasts no
// longer than the person weighs here: whichever ends first ends the other.

// sessionOver says why somebody cannot be the one who weighs: the session that they came with ended meanwhile. A session ends in the
// table first and is told here after that, so that nobody slips in between.
func (in *Intake) sessionOver(person *record.ContextItem) string {
	if person == nil || person.Session == "" || in.people == nil {
		return ""
	}
	if _, _, lasts := in.people.Lasting(person.Session); !lasts {
		return "The session ended meanwhile: sign in again."
	}
	return ""
}

// endOver ends what is held once the session of whoever weighs is over. Nobody else may have noticed yet that they were away too long:
// what the balance sends from here on is not theirs.
func (in *Intake) endOver(now time.Time) {
	h := in.context.held(record.ItemPerson, now)
	if h == nil || h.session == "" || in.people == nil || in.badging.waiting {
		return
	}
	if _, _, lasts := in.people.Lasting(h.session); !lasts {
		in.endContext(now, "The session in which the person signed in ended: who weighs next signs in anew.")
	}
}

// limitPerson has a person hold no longer than the shift and their session. How long somebody may be away whose session is at this
// balance is the session's affair, where the configuration of the context does not say it.
func (in *Intake) limitPerson(h *heldItem, item *record.ContextItem, at time.Time) {
	if in.shiftEnd != nil {
		h.shift = in.shiftEnd(at)
	}
	if item.Session != "" && in.people != nil {
		bench, until, _ := in.people.Lasting(item.Session)
		h.session, h.bench = item.Session, bench == in.cfg.ID
		h.shift = soonest(h.shift, until)
		if own := &in.cfg.Context.Person; h.bench {
			if own.Idle == 0 {
				h.idle = 0
			}
			if own.For == 0 && item.For == 0 {
				h.until = time.Time{}
			}
		}
	}
	h.until = soonest(h.until, h.shift)
}

// holdPerson tells of a session at this balance whose person does not weigh here any more.
func (in *Intake) holdPerson(now time.Time) {
	session, cause := "", "bench"
	switch h := in.context.held(record.ItemPerson, now); {
	case h != nil && h.bench:
		session, cause = h.session, "another-person"
	case h != nil:
		cause = "another-person"
	case in.signedOut:
		cause = "asked"
	}
	if before := in.atBench; before != session {
		if in.atBench = session; before != "" {
			in.people.Left(Left{in.cfg.ID, before, cause})
		}
	}
	in.signedOut = false
}

// notHere ends the session of somebody whose badge was scanned, and who is not the one who weighs all the same.
func (in *Intake) notHere(who record.ContextItem) {
	if who.Session != "" {
		in.people.Left(Left{in.cfg.ID, who.Session, "bench"})
	}
}

// used says that whoever is signed in at this balance did something here.
func (in *Intake) used(at time.Time) {
	if h := in.context.held(record.ItemPerson, at); h != nil && h.session != "" {
		in.people.Used(h.session)
	}
}

// EndSession ends the context of whoever weighs by a session that ended, and EndPerson that of a person who can no longer weigh, however
// they came to be here: their account was disabled, or they signed out everywhere. Both say whether they were, and may be called from
// any goroutine.
func (in *Intake) EndSession(session, why string) bool {
	return in.endWho(why, func(h *heldItem) bool { return h.session == session && session != "" })
}

// EndPerson is described with EndSession.
func (in *Intake) EndPerson(id, why string) bool {
	return in.endWho(why, func(h *heldItem) bool { return h.id == id })
}

func (in *Intake) endWho(why string, is func(*heldItem) bool) bool {
	in.mu.Lock()
	defer in.mu.Unlock()
	now := in.now()
	in.dueAt(now)
	h := in.context.held(record.ItemPerson, now)
	if h == nil || !is(h) {
		return false
	}
	if in.badging.waiting {
		return true // somebody scanned a badge: they take the place, or nobody does, from that moment on
	}
	in.endContext(now, why)
	in.settle(now)
	in.reckonDue()
	return true
}
