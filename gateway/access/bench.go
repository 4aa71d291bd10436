package access

import (
	"time"

	"weighpost/gateway/access/session"
	"weighpost/gateway/record"
)

// Lasting says at which balance's bench a session is ("": at none) and when it ends at the latest, as long as it lasts. It waits for
// nothing but the table of sessions.
func (b *Book) Lasting(id string) (bench string, until time.Time, lasts bool) {
	s, lasts := b.sessions.Lasting(id)
	return s.Balance, s.Until, lasts
}

// Used says that whoever has a session did something at a bench, such as scanning a sample.
func (b *Book) Used(id string) { b.sessions.Use(id) }

// LeaveBench ends a session at a balance's bench, because whoever has it does not weigh there any more. cause is one of a
// signed-out entry; one whose time is over ends for that.
func (b *Book) LeaveBench(id, balance, cause string) {
	b.sessions.Leave(id, balance, session.Cause(cause))
}

// endDisabled ends what somebody has whose account can no longer be used.
func (b *Book) endDisabled(id string, by record.Actor) {
	b.sessions.EndPerson(id, "", session.Disabled, &by)
	if b.o.Disabled != nil {
		b.o.Disabled(id)
	}
}
