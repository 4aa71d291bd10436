package console

import (
	"net/http"
	"testing"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// TestWhoAsksABalanceIsSaidToIt: a person who may not send context has nothing recorded under another's name.
func TestWhoAsksABalanceIsSaidToIt(t *testing.T) {
	h := open(t)
	h.access.people["teller"] = rights.PersonView{Person: record.Person{ID: "teller"}, Rights: []rights.Right{rights.Weigh, rights.SendContext}}
	for want, as := range map[string]func(*http.Request){"operator": h.enter(t, "operator"), "": h.enter(t, "teller")} {
		h.bench.forget()
		if resp, answer := send(t, h, "POST", "/api/v1/balances/b-12/read", `{"record": true}`, as); resp.StatusCode != 200 || len(h.bench.reads) != 1 || h.bench.reads[0].Person != want {
			t.Errorf("%d %s %+v, not for %q", resp.StatusCode, answer, h.bench.reads, want)
		}
	}
}

// TestANameInTwoCasesIsThereTwice: the library takes both for the same, and another reader in front of it the other one.
func TestANameInTwoCasesIsThereTwice(t *testing.T) {
	h := open(t)
	keeper := h.enter(t, "it")
	for path, body := range map[string]string{
		"/api/v1/session": `{"login": "p-07", "LOGIN": "p-08", "secret": "x"}`,
		"/api/v1/keys":    `{"id": "k-1", "name": "X", "roles": ["operator"], "Roles": ["it"]}`,
	} {
		if resp, answer := send(t, h, "POST", path, body, keeper); resp.StatusCode != 422 {
			t.Errorf("%s: %d %s", path, resp.StatusCode, answer)
		}
	}
}
