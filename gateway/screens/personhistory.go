package screens

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/tell"
)

// personEvent is one entry about somebody, in words.
type personEvent struct {
	Seq    uint64
	At     record.UTC
	What   string
	Diff   []difference
	Reason string
	By     string // who did it; "": the person, or nobody
}

// difference is one thing about an account as it was and as it is.
type difference struct{ Name, Old, New string }

// eventsShown is how many of the latest entries about somebody their page shows.
const eventsShown = 30

// personKinds are the kinds of entry that tell of an account.
var personKinds = []record.Kind{record.KindPersonChanged, record.KindSignedIn, record.KindSignedOut, record.KindSignInRefused, record.KindRefused, record.KindAccountsReviewed}

// personEvents gives the latest entries about somebody's account.
func (s *Screens) personEvents(ctx context.Context, id string) (list []personEvent, err error) {
	q := url.Values{"person": {id}, "sort": {"-seq"}, "limit": {strconv.Itoa(eventsShown)}}
	for _, k := range personKinds {
		q.Add("kind", string(k))
	}
	ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
	defer cancel()
	found, err := s.deps.Entries.ListEntries(ctx, q)
	if err != nil {
		return nil, err
	}
	for _, raw := range found.Entries {
		if e, err := record.ParseEntry(raw); err == nil {
			list = append(list, eventOf(e, id))
		}
	}
	return list, nil
}

// eventOf puts an entry into words for the page of the person id.
func eventOf(e record.Entry, id string) personEvent {
	var stamped struct {
		Stamp  record.Stamp `json:"stamp"`
		By     record.Actor `json:"by"`
		Reason string       `json:"reason"`
	}
	_ = json.Unmarshal(e.JSON, &stamped) // what is not there stays empty
	h := personEvent{Seq: e.Seq, At: stamped.Stamp.UTC, Reason: stamped.Reason, What: tell.Line(e)}
	if stamped.By.ID != id {
		h.By = stamped.By.Shown()
	}
	switch e.Kind {
	case record.KindPersonChanged:
		var p record.PersonChanged
		if json.Unmarshal(e.JSON, &p) == nil {
			if p.Person != id { // what this person did to another
				h.What, h.By = "changed the account of "+p.After.Name+": "+changeWords(p.Change), ""
			} else {
				h.What = changeWords(p.Change)
			}
			h.Diff = differences(p.Before, p.After)
		}
	case record.KindSignedIn:
		h.What = "signed in, " + signedInBy(stamped.By.By)
	case record.KindSignedOut:
		var o record.SignedOut
		if json.Unmarshal(e.JSON, &o) == nil {
			h.What = "signed out: " + outWords(o.Cause)
			if o.Ended != nil && o.Ended.ID != id {
				h.By = o.Ended.Shown()
			}
		}
	case record.KindSignInRefused:
		var r record.SignInRefused
		if json.Unmarshal(e.JSON, &r) == nil {
			h.What = fmt.Sprintf("not let in, %s: %s", one(int(min(r.Times, 1<<30)), "attempt", "attempts"), r.Why)
			if r.Locked {
				h.What += "; the account is locked from here on"
			}
		}
	}
	return h
}

// changeWords says what became of an account.
func changeWords(change string) string {
	return cmp.Or(map[string]string{
		"added": "account added", "changed": "account changed", "disabled": "account disabled", "enabled": "account enabled again", "locked": "account locked after failed attempts",
		"unlocked": "account unlocked", "secret-set": "own password chosen", "secret-reset": "one-time password given", "pin-set": "PIN set or ended", "badge-added": "badge given",
		"badge-ended": "badge taken out of use", "seen": "brought up to date by the directory or provider",
	}[change], change)
}

// outWords says why a session ended.
func outWords(cause string) string {
	return cmp.Or(map[string]string{
		"asked": "as asked for", "idle": "not used for too long", "absolute": "it had lasted as long as one may", "everywhere": "everywhere", "another-person": "somebody else signed in there",
		"again": "signed in anew", "bench": "no longer at the balance", "too-many": "too many sessions at once", "shift": "the shift ended", "disabled": "the account can no longer be used",
		"secret-changed": "the password, PIN or badge changed", "lost": "weighpost was started anew",
	}[cause], cause)
}

// differences gives what changed about an account, old and new.
func differences(before *record.Person, after record.Person) (list []difference) {
	old := record.Person{}
	if before != nil {
		old = *before
	}
	add := func(name, was, is string) {
		if was != is {
			list = append(list, difference{name, cmp.Or(was, "–"), cmp.Or(is, "–")})
		}
	}
	end := func(t *record.UTC) string {
		if t == nil {
			return ""
		}
		return at(t)
	}
	yes := func(v bool) string {
		if v {
			return "yes"
		}
		return "no"
	}
	sign := func(list []string) string { return strings.Join(slices.Sorted(slices.Values(list)), ", ") }
	add("name", old.Name, after.Name)
	add("roles", sign(old.Roles), sign(after.Roles))
	add("sign-in name", old.Login, after.Login)
	add("ends", end(old.Expires), end(after.Expires))
	add("badges", sign(old.Badges), sign(after.Badges))
	if before == nil {
		return list
	}
	add("disabled", yes(old.Disabled), yes(after.Disabled))
	add("locked", yes(old.Locked), yes(after.Locked))
	add("has a password", yes(old.HasSecret), yes(after.HasSecret))
	add("has to choose a password", yes(old.Reset), yes(after.Reset))
	add("has a PIN", yes(old.HasPIN), yes(after.HasPIN))
	return list
}
