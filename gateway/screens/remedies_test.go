package screens

import (
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"

	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/help"
	"weighpost/gateway/rights"
)

type anySettings = console.Settings

// noSettings is there, and knows nothing.
type noSettings struct{ anySettings }

// TestEveryConditionHasWhatAPersonCanDo: each code of the table of conditions has a row, each link leads to a page that there is,
// with the right that the page needs or more, and each button asks a route that there is, with the right that it needs.
func TestEveryConditionHasWhatAPersonCanDo(t *testing.T) {
	l := newLab(t, Deps{Settings: noSettings{}, Access: struct{ console.Access }{}, Entries: &entries{}})
	pages := map[string]rights.Right{}
	for _, p := range l.table() {
		pages[p.pattern] = p.right
	}
	routes := routeRights(t)
	codes := 0
	for _, k := range health.Kinds() {
		ways, ok := remedies[k.Code]
		if !ok {
			t.Errorf("%s has no row in remedies.go", k.Code)
		}
		codes++
		for _, w := range ways {
			if w.send != "" {
				if needs, there := routes[strings.NewReplacer("deliveries/{subject}", "deliveries/{sink}", "{subject}", "{id}").Replace(w.send)]; !there || needs != string(w.right) {
					t.Errorf("%s: %q needs %q, and the row says %q", k.Code, w.send, needs, w.right)
				}
				continue
			}
			if what := l.leads(pages, w); what != "" {
				t.Errorf("%s: %s: %s", k.Code, w.to, what)
			}
		}
	}
	if len(remedies) != codes {
		t.Errorf("%d rows for %d codes: a row is of a code that is gone", len(remedies), codes)
	}
}

// leads says what is wrong with where a way leads, or "".
func (l *lab) leads(pages map[string]rights.Right, w way) string {
	path, _, _ := strings.Cut(named(w.to, "x"), "?")
	path, _, _ = strings.Cut(path, "#")
	if topic, ok := strings.CutPrefix(path, "/manual/"); ok {
		if _, err := help.Page(topic); err != nil {
			return err.Error()
		}
	}
	_, pattern := l.mux.Handler(httptest.NewRequest(http.MethodGet, path, nil))
	needs, there := pages[pattern]
	switch {
	case !there:
		return "there is no such page"
	case needs != console.Everybody && needs != w.right && needs != rights.See && needs != rights.ReadSettings && needs != rights.ReadJournal:
		return "the page needs " + string(needs) + ", and the row says " + string(w.right)
	}
	return ""
}

// routeRights are the routes of the API, with the right that each needs, as the console's own table says.
func routeRights(t *testing.T) map[string]string {
	t.Helper()
	b, err := os.ReadFile("../console/testdata/route-rights.txt")
	if err != nil {
		t.Fatal(err)
	}
	m := map[string]string{}
	for line := range strings.Lines(string(b)) {
		if f := strings.Fields(line); len(f) == 3 {
			m[f[0]+" "+f[1]] = f[2]
		}
	}
	return m
}

// TestNobodyIsOfferedAWayThatTheyMayNotGo: by rights, by balance, and for what is not there any more.
func TestNobodyIsOfferedAWayThatTheyMayNotGo(t *testing.T) {
	l := newLab(t, Deps{Source: source{balances: []console.Balance{{ID: "b-1"}, {ID: "b/2 ?"}}, sinks: []console.Sink{{ID: "lims"}}}})
	labels := func(w rights.Who, code, subject string) (all string) {
		for _, a := range l.acts(who{w, true}, &health.Condition{Code: code, Subject: subject}) {
			all += a.Label + " " + a.To + a.Send + "; "
		}
		return all
	}
	limited := as(rights.Operator)
	limited.Balances = []string{"b-1"}
	for _, c := range []struct {
		who           rights.Who
		code, subject string
		want          string
	}{
		{as(rights.Operator), health.PortMissing, "b-1", "Try the port now POST /api/v1/balances/b-1/port/try; To the balance /balances/b-1; "},
		{as(rights.Operator), health.PortMissing, "b-1-scanner", "Try the port now POST /api/v1/balances/b-1/port/try; To the balance /balances/b-1; "},
		{as(rights.Operator), health.PortLost, "b/2 ?", "Try the port now POST /api/v1/balances/b%2F2%20%3F/port/try; To the balance /balances/b%2F2%20%3F; "},
		{as(rights.Auditor), health.PortLost, "b-1", "To the balance /balances/b-1; "},
		{limited, health.PortLost, "b/2 ?", "To the balance /balances/b%2F2%20%3F; "},
		{as(rights.Operator), health.PortLost, "b-gone", ""},
		{rights.Who{}, health.PortLost, "b-1", ""},
		{as(rights.BalanceKeeper), health.SinkBusy, "lims", "Try the destination now POST /api/v1/deliveries/lims/try-now; To its deliveries /delivered/lims; "},
		{as(rights.Operator), health.SinkBusy, "lims", "To its deliveries /delivered/lims; "},
		{rights.Who{}, health.CertificateEnds, "page", "How the page is reached /manual/network; "},
	} {
		if got := labels(c.who, c.code, c.subject); got != c.want {
			t.Errorf("%s %s: %q, want %q", c.code, c.subject, got, c.want)
		}
	}
}
