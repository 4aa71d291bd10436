package screens

import (
	"cmp"
	"context"
	"encoding/json"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// peopleAtOnce is how many people are on one page of the list.
const peopleAtOnce = 100

// listed is one account as the list has it.
type listed struct {
	rights.PersonView
	State    string
	SignedIn *record.UTC // last, as far as that was looked for; nil: not known
}

// peopleFacts is what the list of people shows.
type peopleFacts struct {
	People                      []listed
	All, Found, From, To        int
	Q, Role, State, Source      string
	Roles, States, Sources      []string
	Before, After               string // addresses of the pages of the list before and after this one
	Known, LookedBack, Filtered bool   // sign-ins were looked for; not all that there were
}

var accountStates = []string{"can sign in", "no password yet", "has to choose a password", "locked", "disabled", "ended"}

// people lists who has an account, by name.
func (s *Screens) people(w http.ResponseWriter, r *http.Request) {
	who, q := rights.From(r.Context()), r.URL.Query()
	all, _, err := s.deps.Access.People(who)
	if err != nil {
		s.refusedPage(w, r, "Who has an account cannot be shown", err)
		return
	}
	f := peopleFacts{All: len(all), Q: strings.TrimSpace(q.Get("q")), Role: q.Get("role"), State: q.Get("state"), Source: q.Get("source"), States: accountStates}
	f.Filtered = f.Q+f.Role+f.State+f.Source != ""
	for _, p := range all {
		f.Roles, f.Sources = append(f.Roles, p.Person.Roles...), append(f.Sources, p.Source)
		if one := (listed{PersonView: p, State: accountState(p)}); f.wants(one) {
			f.People = append(f.People, one)
		}
	}
	f.Roles, f.Sources = sorted(f.Roles), sorted(f.Sources)
	slices.SortStableFunc(f.People, func(a, b listed) int {
		return cmp.Or(strings.Compare(strings.ToLower(a.Name), strings.ToLower(b.Name)), strings.Compare(a.ID, b.ID))
	})
	f.cut(q)
	f.noteSignIns(s.lastSignIns(r.Context()))
	s.show(w, r, page{Template: "people.html", Title: "People", Place: peoplePlace, Data: f})
}

func sorted(list []string) []string {
	slices.Sort(list)
	return slices.Compact(list)
}

// wants says whether the list, as it is asked for, has somebody.
func (f *peopleFacts) wants(p listed) bool {
	text := strings.ToLower(p.Name + "\n" + p.ID + "\n" + p.Login)
	return strings.Contains(text, strings.ToLower(f.Q)) && (f.Role == "" || slices.Contains(p.Person.Roles, f.Role)) &&
		(f.State == "" || f.State == p.State) && (f.Source == "" || f.Source == p.Source)
}

// cut leaves the part of the list that is asked for.
func (f *peopleFacts) cut(q url.Values) {
	f.Found = len(f.People)
	n, err := strconv.Atoi(q.Get("from"))
	if err != nil || n < 1 || n > f.Found {
		n = 1
	}
	f.From, f.To = n, min(n+peopleAtOnce-1, f.Found)
	at := func(n int) string {
		q := url.Values{"q": {f.Q}, "role": {f.Role}, "state": {f.State}, "source": {f.Source}, "from": {strconv.Itoa(n)}}
		for name := range q {
			if q.Get(name) == "" {
				delete(q, name)
			}
		}
		return peoplePlace + "?" + q.Encode()
	}
	if n > 1 {
		f.Before = at(max(1, n-peopleAtOnce))
	}
	if f.To < f.Found {
		f.After = at(f.To + 1)
	}
	f.People = f.People[min(f.From-1, f.Found):f.To]
}

// signInsLookedAt is how many of the latest sign-ins the list of people looks through.
const signInsLookedAt = 1000

// lastSignIns gives when people signed in last, by id, and whether all sign-ins were looked at; nil where the journal is not to be had.
func (s *Screens) lastSignIns(ctx context.Context) (last map[string]record.UTC, whole bool) {
	if s.deps.Entries == nil || rights.From(ctx).May(rights.ReadJournal) != nil {
		return nil, false
	}
	ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
	defer cancel()
	list, err := s.deps.Entries.ListEntries(ctx, url.Values{"kind": {string(record.KindSignedIn)}, "sort": {"-seq"}, "limit": {strconv.Itoa(signInsLookedAt)}})
	if err != nil {
		return nil, false
	}
	last = map[string]record.UTC{}
	for _, raw := range list.Entries {
		var e record.SignedIn
		if json.Unmarshal(raw, &e) != nil {
			continue
		}
		if _, there := last[e.By.ID]; !there {
			last[e.By.ID] = e.Stamp.UTC
		}
	}
	return last, list.Next == ""
}

func (f *peopleFacts) noteSignIns(last map[string]record.UTC, whole bool) {
	f.Known, f.LookedBack = last != nil, !whole
	for i := range f.People {
		if at, there := last[f.People[i].ID]; there {
			f.People[i].SignedIn = &at
		}
	}
}
