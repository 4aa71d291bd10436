package screens

import (
	"net/http"
	"slices"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// reviewFacts is what the page on reviews of accounts shows.
type reviewFacts struct {
	Policy  rights.Policy
	Overdue bool
	Reviews []*record.AccountsReviewed // the latest first
	At      uint64                     // sequence that the lists are as of
	People  []listed
	Keys    []rights.KeyView // that are good
	Known   bool             // sign-ins were looked for
	Joined  int              // people who may both review and administrate
}

// accountReviews shows when accounts were looked over, and what there is to look at now.
func (s *Screens) accountReviews(w http.ResponseWriter, r *http.Request) {
	who := rights.From(r.Context())
	f := reviewFacts{Policy: s.deps.Access.Policy()}
	f.Overdue = !f.Policy.ReviewDue.IsZero() && f.Policy.ReviewDue.Before(time.Now())
	people, at, err := s.deps.Access.People(who)
	if err == nil {
		f.Reviews, err = s.deps.Access.AccountReviews(r.Context(), who)
	}
	if err == nil {
		f.Keys, err = s.deps.Access.Keys(who)
	}
	if err != nil {
		s.refusedPage(w, r, "Reviews of accounts cannot be shown", err)
		return
	}
	slices.Reverse(f.Reviews)
	f.At = at
	f.Keys = slices.DeleteFunc(f.Keys, func(k rights.KeyView) bool {
		return k.Revoked || k.Expires != nil && !k.Expires.Time().After(time.Now())
	})
	last, _ := s.lastSignIns(r.Context())
	f.Known = last != nil
	for _, p := range people {
		one := listed{PersonView: p, State: accountState(p)}
		if at, there := last[p.ID]; there {
			one.SignedIn = &at
		}
		if slices.Contains(p.Rights, rights.ReviewTrail) && (slices.Contains(p.Rights, rights.People) || slices.Contains(p.Rights, rights.Settings)) {
			f.Joined++
		}
		if !p.Disabled {
			f.People = append(f.People, one)
		}
	}
	s.show(w, r, page{Template: "account-reviews.html", Title: "Reviews of accounts", Place: peoplePlace, Scripts: []string{"people.js"}, Data: f})
}
