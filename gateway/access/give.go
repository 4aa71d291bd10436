package access

import (
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

var office = rights.Office()

// mayGive says why somebody may not give roles to an account that has others until now. before is empty for a new account.
func (b *Book) mayGive(who rights.Who, id string, before, roles []string) error {
	all := b.o.Config().AllRoles()
	had, _ := rightsOf(before, all)
	set, _ := rightsOf(roles, all)
	for _, r := range set.List() {
		switch {
		case had.Has(r):
		case id != "" && id == who.Person:
			return refuse("nobody gives themselves a right (%q): somebody else who looks after accounts does that, or a command on the computer of the journal", r)
		case office.Has(r) && !who.Rights.Has(r):
			return refuse("these roles give the right %q, which %s does not have and so cannot give to others", r, who.Actor.Shown())
		}
	}
	return nil
}

// mayLengthen says why somebody may not move the end of an account. They may always bring their own nearer.
func mayLengthen(who rights.Who, a *account, to *record.UTC) error {
	if a.ID == who.Person && a.Expires != nil && (to == nil || to.Time().After(a.Expires.Time())) {
		return refuse("nobody puts off the end of their own account: somebody else who looks after accounts does that")
	}
	return nil
}

// mayTakeOver says why somebody may not set the secret of an account: whoever knows a secret could use what it opens.
func (b *Book) mayTakeOver(who rights.Who, a *account) error {
	set, _ := rightsOf(a.Person.Roles, b.o.Config().AllRoles())
	for _, r := range set.List() {
		if office.Has(r) && !who.Rights.Has(r) {
			return refuse("%s has the right %q, which %s does not have and so cannot reset the secret: somebody who has it does that, "+
				"or a command on the computer of the journal", a.ID, r, who.Actor.Shown())
		}
	}
	return nil
}
