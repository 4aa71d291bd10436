package screens

import (
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/live"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// lab is the pages over facts that a test gives them.
type lab struct {
	*Screens
	mux *http.ServeMux
}

// newLab opens the pages. Whoever asks needs the right of the page, as the console sees to it.
func newLab(t *testing.T, deps Deps) *lab {
	t.Helper()
	if deps.Log == nil {
		deps.Log = slog.New(slog.DiscardHandler)
	}
	if deps.Site == "" {
		deps.Site = "seed-bank"
	}
	if deps.Source == nil {
		deps.Source = source{}
	}
	if deps.Conditions == nil {
		deps.Conditions = conditions{}
	}
	if deps.Live == nil {
		deps.Live = &live.Hub{}
	}
	l := &lab{New(deps), http.NewServeMux()}
	for _, p := range l.Routes() {
		l.mux.HandleFunc(p.Pattern, func(w http.ResponseWriter, r *http.Request) {
			if p.Right != console.Everybody && rights.From(r.Context()).May(p.Right) != nil {
				l.TurnedAway(w, r, http.StatusForbidden, "You may not do that", string(p.Right))
				return
			}
			p.Handler.ServeHTTP(w, r)
		})
	}
	return l
}

// as is somebody signed in with a role that comes with weighpost; "" is a visitor who may look.
func as(role string) rights.Who {
	if role == "" {
		return rights.Who{Rights: rights.Of(rights.See, rights.ReadJournal, rights.Export, rights.ReadSettings, rights.Measurements)}
	}
	return rights.Who{Known: true, Person: "ada", Session: "s-1", Rights: rights.Defaults()[role],
		Actor: record.Actor{ID: "ada", Name: "Ada Quill", By: record.ActorPassword}}
}

// get asks for a page as somebody.
func (l *lab) get(t *testing.T, path string, who rights.Who) (status int, body string) {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, path, nil)
	w := httptest.NewRecorder()
	l.mux.ServeHTTP(w, r.WithContext(rights.With(r.Context(), who)))
	return w.Code, w.Body.String()
}

type source struct {
	balances []console.Balance
	sinks    []console.Sink
	journal  console.Journal
	clock    console.Clock
}

func (s source) Balances() []console.Balance { return s.balances }
func (s source) Sinks() []console.Sink       { return s.sinks }
func (s source) Journal() console.Journal    { return s.journal }
func (s source) TimeFacts() console.Clock    { return s.clock }

type conditions []health.Condition

func (c conditions) List() []health.Condition { return c }

// TestEveryPageCanBeParsed: each is parsed when it is first shown, and none is found wanting only then.
func TestEveryPageCanBeParsed(t *testing.T) {
	for name, page := range parsed() {
		if page().Lookup("content") == nil {
			t.Errorf("%s has no content", name)
		}
	}
	if len(parsed()) < 40 {
		t.Errorf("only %d pages are found", len(parsed()))
	}
}

// TestNobodyIsOfferedAPageThatTheyMayNotSee: the navigation has only what opens.
func TestNobodyIsOfferedAPageThatTheyMayNotSee(t *testing.T) {
	l := newLab(t, Deps{})
	for _, role := range []string{"", rights.Operator, rights.Reviewer, rights.BalanceKeeper, rights.IT, rights.Auditor} {
		r := httptest.NewRequest(http.MethodGet, "/nowhere", nil)
		w := httptest.NewRecorder()
		l.TurnedAway(w, r.WithContext(rights.With(r.Context(), as(role))), http.StatusForbidden, "No", "<b>not</b> you")
		for _, p := range places {
			offered := strings.Contains(w.Body.String(), `<a href="`+p.Path+`"`)
			// Everybody is led to the balances from a page that has nothing else.
			if may := p.open(as(role)) || p.Path == "/"; offered != may {
				t.Errorf("%q, %s: offered %v, and may %v", role, p.Path, offered, may)
			}
		}
		if strings.Contains(w.Body.String(), "<b>not") {
			t.Error("words from outside are markup")
		}
	}
}
