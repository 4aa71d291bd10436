package console

import (
	"net/http"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// ownContext says how what a request names was learnt, and has whoever is signed in tie a balance to themselves: nobody weighs
// under a name that another has left there. To name somebody else is what a lab system does, and needs the right to.
func ownContext(who rights.Who, balance string, r *record.ContextRequest) error {
	r.By = record.BySent
	if who.Person != "" {
		r.By = record.ByTyped
	}
	sends := who.MayAt(rights.SendContext, balance) == nil
	switch {
	case r.Person != nil && r.Person.ID != "" && (who.Person == "" || r.Person.ID != who.Person):
		if !sends {
			return &problemDocument{"about:blank", notAllowed, http.StatusForbidden, sentence("to name another person than the one who is signed in: " +
				(&rights.Denied{Who: who, Right: rights.SendContext}).Error())}
		}
		return nil
	case who.Person == "" || r.SignOut || r.Step != "" || !r.Names():
		return nil
	case r.Person != nil && r.Person.ID == "": // they end it
		return nil
	case r.Person == nil && sends && !r.Whole: // a part, left as it is by somebody who may name anybody
		return nil
	case r.Person == nil:
		r.Person = &record.ContextItem{ID: who.Person}
	}
	r.Person.Name, r.Person.Role, r.Person.How, r.Person.Session = who.Actor.Name, who.Actor.Role, who.Actor.By, who.Session
	return nil
}
