package access

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/rights"
)

// HeldOn says who held which right at an instant, why, and from when until when. What a role meant changes with the configuration,
// and so does what people held. It needs the right read-people.
func (b *Book) HeldOn(ctx context.Context, who rights.Who, at time.Time) ([]rights.Holding, error) {
	if err := who.May(rights.ReadPeople); err != nil {
		return nil, err
	}
	if err := b.follow(ctx); err != nil {
		return nil, err
	}
	list := []rights.Holding{}
	b.look(func(s *state) {
		for id, a := range s.People {
			list = append(list, held(id, a.Past, s.Roles, at, nil)...)
		}
		for id, k := range s.Keys {
			for _, h := range held(id, k.Past, s.Roles, at, forPeople) {
				h.Key = true
				list = append(list, h)
			}
		}
	})
	order := map[rights.Right]int{}
	for i, r := range rights.All() {
		order[r] = i
	}
	slices.SortFunc(list, func(x, y rights.Holding) int {
		key := func(h rights.Holding) int {
			if h.Key {
				return 1
			}
			return 0
		}
		return cmp.Or(cmp.Compare(key(x), key(y)), strings.Compare(x.Person, y.Person), cmp.Compare(order[x.Right], order[y.Right]))
	})
	return list, nil
}

// period is a span over which neither an account nor what roles mean changed.
type period struct {
	from time.Time
	v    version
	own  map[string][]string
}

// periods cuts somebody's time at every change of theirs and of the roles'.
func periods(past []version, roles []meaning) (list []period) {
	var cuts []time.Time
	for _, v := range past {
		cuts = append(cuts, v.From.Time())
		if v.Expires != nil && v.Expires.Time().After(v.From.Time()) {
			cuts = append(cuts, v.Expires.Time())
		}
	}
	for _, m := range roles {
		cuts = append(cuts, m.From.Time())
	}
	slices.SortFunc(cuts, time.Time.Compare)
	for _, cut := range cuts {
		p := period{from: cut}
		i := latest(past, cut, func(v version) time.Time { return v.From.Time() })
		if i < 0 || len(list) > 0 && list[len(list)-1].from.Equal(cut) {
			continue
		}
		p.v = past[i]
		if m := latest(roles, cut, func(m meaning) time.Time { return m.From.Time() }); m >= 0 {
			p.own = roles[m].Roles
		}
		list = append(list, p)
	}
	return list
}

// latest is the last of a list that holds at an instant, -1 where none does.
func latest[T any](list []T, at time.Time, from func(T) time.Time) int {
	for i := len(list) - 1; i >= 0; i-- {
		if !from(list[i]).After(at) {
			return i
		}
	}
	return -1
}

// gives says which roles give a right over a period.
func (p period) gives(r rights.Right) (roles []string) {
	if p.v.Disabled || expired(p.v.Expires, p.from) {
		return nil
	}
	all := rolesOf(p.own)
	for _, name := range p.v.Roles {
		if all[name].Has(r) {
			roles = append(roles, name)
		}
	}
	return roles
}

// held gives what one account or key held at an instant.
func held(id string, past []version, roles []meaning, at time.Time, never rights.Set) (list []rights.Holding) {
	all := periods(past, roles)
	now := latest(all, at, func(p period) time.Time { return p.from })
	if now < 0 {
		return nil
	}
	for _, r := range rights.All() {
		by := all[now].gives(r)
		if len(by) == 0 || never.Has(r) {
			continue
		}
		h := rights.Holding{Person: id, Name: all[now].v.Name, Right: r, Roles: by, From: all[now].from.UTC()}
		for i := now - 1; i >= 0 && len(all[i].gives(r)) > 0; i-- {
			h.From = all[i].from.UTC()
		}
		for i := now + 1; i < len(all); i++ {
			if len(all[i].gives(r)) == 0 {
				to := all[i].from.UTC()
				h.To = &to
				break
			}
		}
		list = append(list, h)
	}
	return list
}
