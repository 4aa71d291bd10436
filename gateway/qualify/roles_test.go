package qualify

import (
	"strings"
	"testing"

	"weighpost/gateway/qualification"
	"weighpost/gateway/rights"
)

// TestRolesAreTriedOut: each role of a sound daemon passes on all routes; and a role that has other rights than are said of it fails, both by
// what it may not and by what it may.
func TestRolesAreTriedOut(t *testing.T) {
	t.Parallel()
	l := newLab(t, "people: {visitors: nothing, roles: {stock-keeper: [see, own-account, containers]}}\n")
	_, by := l.done(t, Order{Only: []string{"roles"}})
	is(t, by, "roles.routes", qualification.Passed, "")
	is(t, by, "roles.strangers", qualification.Passed, "")
	t.Log(by["roles.routes"].Seen, by["roles.strangers"].Seen)
	if strings.Count(by["roles.routes"].Seen, "as the rights of the role say") != len(l.cfg.People.AllRoles()) {
		t.Errorf("not every role was tried: %s", by["roles.routes"].Seen)
	}

	u := &run{Deps: l.Deps, scratch: t.TempDir()}
	h, end, err := u.openHouse(t.Context(), "wrong")
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := end(); err != nil {
			t.Error(err)
		}
	}()
	table, _, err := h.table(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	shown, err := h.account(t.Context(), "stock-keeper")
	if err != nil {
		t.Fatal(err)
	}
	some := table[:0:0]
	for _, r := range table {
		if r.rights[0] == rights.People || r.rights[0] == rights.Containers {
			some = append(some, r)
		}
	}
	for _, test := range []struct {
		said []rights.Right
		why  string
	}{
		{[]rights.Right{rights.People, rights.Containers}, "is refused to the role stock-keeper, which has the right people"},
		{nil, "is not refused to the role stock-keeper, which has not the right containers"},
	} {
		said, one := rights.Set{}, &try{}
		for _, r := range test.said {
			said[r] = true
		}
		h.walk(t.Context(), one, "stock-keeper", "a person", shown, said, some)
		if one.Outcome != qualification.Failed || !strings.Contains(strings.Join(one.why, " "), test.why) {
			t.Errorf("%v: %s: %v", test.said, one.Outcome, one.why)
		}
	}
}
