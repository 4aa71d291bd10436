package console

import (
	"net/http"
	"testing"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// TestWhoeverIsSignedInWeighsUnderTheirOwnName: whom a request ties the balance to, for each way to ask.
func TestWhoeverIsSignedInWeighsUnderTheirOwnName(t *testing.T) {
	const path = "/api/v1/balances/b-12/context"
	key := func(name string) func(*http.Request) {
		return func(r *http.Request) { r.Header.Set("Authorization", "Bearer wp_"+name) }
	}
	h := open(t)
	keeper, operator := h.enter(t, "balance-keeper"), h.enter(t, "operator")
	h.access.people["teller"] = rights.PersonView{Person: record.Person{ID: "teller"}, Rights: []rights.Right{rights.Weigh, rights.SendContext}}
	teller := h.enter(t, "teller")
	for _, c := range []struct {
		name, method, body string
		as                 func(*http.Request)
		status             int
		person, by, how    string // of the request that reaches the balance; "-": it names nobody
	}{
		{"nobody named", "PUT", aSample, operator, 200, "operator", "typed", "password"},
		{"themselves", "PUT", `{"person": {"id": "operator", "for_s": 60}}`, operator, 200, "operator", "typed", "password"},
		{"another", "PUT", `{"person": {"id": "balance-keeper"}}`, operator, 403, "", "", ""},
		{"another, in a part", "PATCH", `{"person": {"id": "operator"}}`, keeper, 403, "", "", ""},
		{"a part", "PATCH", `{"lot": {"id": "1003"}}`, keeper, 200, "balance-keeper", "typed", "password"},
		{"nothing", "PATCH", `{}`, keeper, 200, "-", "typed", ""},
		{"ending it", "PATCH", `{"person": null}`, keeper, 200, "", "typed", ""},
		{"signing out", "DELETE", "", keeper, 200, "-", "typed", ""},
		{"another, with the right", "PUT", `{"person": {"id": "operator"}}`, teller, 200, "operator", "typed", ""},
		{"a part, with the right", "PATCH", `{"lot": {"id": "1003"}}`, teller, 200, "-", "typed", ""},
		{"all, with the right", "PUT", aSample, teller, 200, "teller", "typed", "password"},
		{"a program", "PUT", `{"person": {"id": "operator"}}`, key("machine"), 200, "operator", "sent", ""},
		{"a program that may not", "PUT", `{"person": {"id": "operator"}}`, key("operator"), 403, "", "", ""},
		{"a program that names nobody", "PUT", aSample, key("operator"), 200, "-", "sent", ""},
		{"a program for another balance", "PUT", aSample, key("operator@b-13"), 403, "", "", ""},
		{"a program for this balance", "PUT", aSample, key("operator@b-12"), 200, "-", "sent", ""},
		{"the host", "PUT", `{"person": {"id": "operator"}}`, nil, 200, "operator", "sent", ""},
	} {
		h.bench.forget()
		resp, answer := send(t, h, c.method, path, c.body, c.as)
		if resp.StatusCode != c.status || h.bench.count() != map[bool]int{true: 1}[c.status == 200] {
			t.Errorf("%s: %d %s", c.name, resp.StatusCode, answer)
			continue
		}
		if c.status != 200 {
			checkProblem(t, resp, answer)
			continue
		}
		r := h.bench.requests[0]
		person, how := "-", ""
		if r.Person != nil {
			person, how = r.Person.ID, r.Person.How
		}
		if person != c.person || r.By != c.by || how != c.how || c.how != "" && (r.Person.Name == "" && person != "teller" || r.Actor.ID != person) {
			t.Errorf("%s: the request names %q (%s), by %s, asked by %+v", c.name, person, how, r.By, r.Actor)
		}
	}
}
