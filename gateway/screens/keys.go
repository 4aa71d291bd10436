package screens

import (
	"net/http"
	"slices"
	"time"

	"weighpost/gateway/rights"
)

// keysFacts is what the page on programs' keys shows.
type keysFacts struct {
	Keys     []keyRow
	Roles    []roleChoice
	Balances []string
	Policy   rights.Policy
	Offset   string
	LastDay  string
}

// keyRow is one key, and whether it is good.
type keyRow struct {
	rights.KeyView
	State string
}

// keys shows which programs have a key, and makes and revokes them.
func (s *Screens) keys(w http.ResponseWriter, r *http.Request) {
	who := rights.From(r.Context())
	list, err := s.deps.Access.Keys(who)
	if err != nil {
		s.refusedPage(w, r, "The keys cannot be shown", err)
		return
	}
	f := keysFacts{Policy: s.deps.Access.Policy(), Offset: time.Now().Format("-07:00")}
	for _, k := range list {
		row := keyRow{k, "good"}
		switch {
		case k.Revoked:
			row.State = "revoked"
		case k.Expires != nil && !k.Expires.Time().After(time.Now()):
			row.State = "ended"
		}
		f.Keys = append(f.Keys, row)
	}
	slices.SortStableFunc(f.Keys, func(a, b keyRow) int { return boolFirst(a.State == "good", b.State == "good") })
	if who.May(rights.APIKeys) == nil {
		f.LastDay = time.Now().Add(f.Policy.KeysFor - 24*time.Hour).Format(time.DateOnly)
		if f.Roles, err = s.keyRoles(who); err != nil {
			s.refusedPage(w, r, "The keys cannot be shown", err)
			return
		}
		for _, b := range s.deps.Source.Balances() {
			if who.Balances == nil || slices.Contains(who.Balances, b.ID) {
				f.Balances = append(f.Balances, b.ID)
			}
		}
	}
	s.show(w, r, page{Template: "keys.html", Title: "Keys for programs", Place: peoplePlace, Scripts: []string{"people.js"}, Data: f})
}

// keyRoles are the roles that a key can be given, with what a program has of them.
func (s *Screens) keyRoles(who rights.Who) (list []roleChoice, err error) {
	all, err := s.deps.Access.Roles(who)
	if err != nil {
		return nil, err
	}
	machine, people := rights.Defaults()[rights.Machine], rights.ForPeople()
	for _, r := range all {
		c := roleChoice{RoleView: r}
		c.Rights = slices.DeleteFunc(slices.Clone(r.Rights), func(right rights.Right) bool { return people.Has(right) })
		for _, right := range c.Rights {
			if !machine.Has(right) && who.May(right) != nil {
				c.Barred = "It gives a right that you do not have, and so cannot give to a key: to " + allows(right) + "."
			}
		}
		list = append(list, c)
	}
	return list, nil
}
