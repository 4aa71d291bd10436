package console

import (
	"context"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// reception is a fake of whoever keeps accounts: one person and one program for each default role, named after it. It holds no
// right against anything, so that what is refused in these tests is refused by the routes.
type reception struct {
	mu       sync.Mutex
	secrets  map[string]string // of people, by id
	people   map[string]rights.PersonView
	sessions map[string]rights.Who // by their secret
	used     map[string]int        // WhoIs by session, not PeekWho
	acts     int                   // what changed something
	made     int
	nothing  bool // visitors may do nothing
	ways     rights.Ways
	states   map[string]bool
	answer   error         // of everything that changes something, if any
	slow     time.Duration // how long it takes to add somebody
	asked    []string
}

const aSecret = "five barley sheaves by the well"

func newReception() *reception {
	a := &reception{secrets: map[string]string{}, people: map[string]rights.PersonView{}, sessions: map[string]rights.Who{}, used: map[string]int{}, states: map[string]bool{}}
	for name, set := range rights.Defaults() {
		a.secrets[name] = aSecret
		a.people[name] = rights.PersonView{Person: record.Person{ID: name, Name: "The " + name, Roles: []string{name}, Source: "local", HasSecret: true}, Seq: 7, Rights: set.List(),
			Since: time.Date(2026, 11, 1, 8, 0, 0, 0, time.UTC)}
	}
	return a
}

// act counts a change.
func (a *reception) act(what string) error {
	a.asked = append(a.asked, what)
	if a.answer != nil {
		return a.answer
	}
	a.acts++
	return nil
}

func (a *reception) Visitor(local bool, from string) rights.Who {
	return visitor(local && !a.nothing, from)
}

func (a *reception) whose(secret, from string) (rights.Who, error) {
	who, there := a.sessions[secret]
	if !there {
		return rights.Who{}, rights.ErrNoSession
	}
	who.Actor.Where = from
	return who, nil
}

func (a *reception) WhoIs(secret, from string) (rights.Who, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	who, err := a.whose(secret, from)
	a.used[who.Session]++
	return who, err
}

func (a *reception) PeekWho(secret, from string) (rights.Who, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.whose(secret, from)
}

// WhoseKey: the key of a role is wp_ and its name; wp_ NAME @ BALANCE is limited to a balance.
func (a *reception) WhoseKey(key, _, from string) (rights.Who, error) {
	name, balance, limited := strings.Cut(strings.TrimPrefix(key, keyMark), "@")
	set, there := rights.Defaults()[name]
	if !there {
		return rights.Who{}, rights.ErrNoSession
	}
	who := rights.Who{Actor: record.Actor{ID: "key-" + name, Name: "key of " + name, Role: name, By: record.ActorAPIKey, Where: from}, Rights: set, Known: true}
	if limited {
		who.Balances = []string{balance}
	}
	return who, nil
}

func (a *reception) Ways() rights.Ways {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.ways
}

func (a *reception) begin(id, by, from, balance string) rights.Session {
	a.made++
	p := a.people[id]
	s := rights.Session{ID: fmt.Sprint("s-", a.made), Secret: fmt.Sprintf("secret-of-session-%d-0123456789", a.made), Person: p.Person, Until: time.Now().Add(12 * time.Hour),
		Who: rights.Who{Actor: record.Actor{ID: id, Name: p.Name, Role: strings.Join(p.Person.Roles, ", "), By: by, Where: from}, Person: id, Bench: balance,
			Rights: rights.Of(p.Rights...), Known: true, Session: fmt.Sprint("s-", a.made)}}
	a.sessions[s.Secret] = s.Who
	return s
}

func (a *reception) SignIn(_ context.Context, in rights.SignIn) (rights.Session, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if err := a.act("sign-in " + in.Address); err != nil {
		return rights.Session{}, err
	}
	if want, there := a.secrets[in.Login]; !there || want != in.Secret {
		a.acts--
		return rights.Session{}, rights.ErrWrong
	}
	return a.begin(in.Login, record.ActorPassword, in.Where, in.Balance), nil
}

func (a *reception) SignInBadge(_ context.Context, in rights.Badge) (rights.Session, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if in.Code != "0047" {
		a.asked = append(a.asked, "badge")
		return rights.Session{}, rights.ErrWrong
	}
	if err := a.act("badge"); err != nil {
		return rights.Session{}, err
	}
	return a.begin("operator", record.ActorBadge, in.Where, in.Balance), nil
}

func (a *reception) BeginOpenID(_ context.Context, redirect string, _ bool) (string, string, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.made++
	state := fmt.Sprint("state-", a.made)
	a.states[state] = true
	return "https://provider.example/authorize?" + url.Values{"redirect_uri": {redirect}, "state": {state}}.Encode(), state, nil
}

func (a *reception) FinishOpenID(_ context.Context, q url.Values, _, from string) (rights.Session, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if !a.states[q.Get("state")] {
		return rights.Session{}, rights.ErrWrong
	}
	delete(a.states, q.Get("state"))
	return a.begin("reviewer", record.ActorOpenID, from, ""), nil
}

func (a *reception) SetUp(_ context.Context, token string, p rights.NewPerson, _, from string) (rights.Session, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if token != "the-one-time-token" {
		return rights.Session{}, rights.ErrWrong
	}
	if err := a.act("set-up"); err != nil {
		return rights.Session{}, err
	}
	a.people[p.ID] = rights.PersonView{Person: record.Person{ID: p.ID, Name: p.Name, Roles: []string{rights.IT}}, Seq: 8, Rights: rights.Defaults()[rights.IT].List()}
	a.secrets[p.ID] = p.Secret
	return a.begin(p.ID, record.ActorPassword, from, ""), nil
}

func (a *reception) end(which func(rights.Who) bool) (n int) {
	for _, secret := range slices.Collect(maps.Keys(a.sessions)) {
		if which(a.sessions[secret]) {
			delete(a.sessions, secret)
			n++
		}
	}
	return n
}

func (a *reception) SignOut(_ context.Context, who rights.Who) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	if err := a.act("sign-out"); err != nil {
		return err
	}
	a.end(func(w rights.Who) bool { return w.Session == who.Session })
	return nil
}

func (a *reception) SignOutEverywhere(_ context.Context, _ rights.Who, person string) (int, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if err := a.act("everywhere"); err != nil {
		return 0, err
	}
	return a.end(func(w rights.Who) bool { return w.Person == person }), nil
}

func (a *reception) SignOutOthers(_ context.Context, who rights.Who) (int, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if err := a.act("others"); err != nil {
		return 0, err
	}
	return a.end(func(w rights.Who) bool { return w.Person == who.Person && w.Session != who.Session }), nil
}

func (a *reception) Policy() rights.Policy { return rights.Policy{PasswordMinimum: 15, PINMinimum: 6} }

func (a *reception) EndSession(_ context.Context, _ rights.Who, person, session string) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.act("end " + person + " " + session)
}

func (a *reception) ChangeSecret(_ context.Context, who rights.Who, old, secret, _ string) (rights.Session, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.secrets[who.Person] != old {
		return rights.Session{}, rights.ErrWrong
	}
	if err := a.act("secret"); err != nil {
		return rights.Session{}, err
	}
	a.end(func(w rights.Who) bool { return w.Person == who.Person })
	a.secrets[who.Person] = secret
	return a.begin(who.Person, record.ActorPassword, who.Actor.Where, ""), nil
}

func (a *reception) People(rights.Who) (list []rights.PersonView, _ uint64, _ error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, id := range slices.Sorted(maps.Keys(a.people)) {
		list = append(list, a.people[id])
	}
	return list, 90211, nil
}

func (a *reception) Person(_ rights.Who, id string) (rights.PersonView, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	p, there := a.people[id]
	if !there {
		return p, rights.ErrNoPerson
	}
	return p, nil
}

func (a *reception) AddPerson(ctx context.Context, _ rights.Who, p rights.NewPerson) (rights.PersonView, error) {
	select {
	case <-time.After(a.slow):
	case <-ctx.Done():
		return rights.PersonView{}, ctx.Err()
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	return rights.PersonView{Person: record.Person{ID: p.ID, Name: p.Name, Roles: p.Roles}, Seq: 9, Rights: []rights.Right{}}, a.act("add")
}

// change changes an account.
func (a *reception) change(id, what string) (rights.PersonView, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	p, there := a.people[id]
	if !there {
		return p, rights.ErrNoPerson
	}
	if err := a.act(what); err != nil {
		return p, err
	}
	p.Seq++
	a.people[id] = p
	return p, nil
}

func (a *reception) ChangePerson(_ context.Context, _ rights.Who, id string, c rights.PersonChange) (rights.PersonView, error) {
	if p, _ := a.Person(rights.Who{}, id); c.Seen != 0 && p.Seq != c.Seen {
		return p, &rights.Conflict{What: "the account " + id, Seen: c.Seen, Now: p.Seq}
	}
	return a.change(id, "change")
}

func (a *reception) ResetSecret(_ context.Context, _ rights.Who, id, _ string) (string, error) {
	_, err := a.change(id, "reset")
	return "a-one-time-secret", err
}

func (a *reception) SetPIN(_ context.Context, _ rights.Who, id, _, _ string) (rights.PersonView, error) {
	return a.change(id, "pin")
}

func (a *reception) AddBadge(_ context.Context, _ rights.Who, id, _, _ string) (rights.PersonView, error) {
	return a.change(id, "badge")
}

func (a *reception) EndBadge(_ context.Context, _ rights.Who, id, _, _ string) (rights.PersonView, error) {
	return a.change(id, "badge-end")
}

func (a *reception) Sessions(_ rights.Who, person string) (list []rights.SessionView, _ error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, w := range a.sessions {
		if w.Person == person {
			list = append(list, rights.SessionView{ID: w.Session, Person: person, Name: w.Actor.Name, By: w.Actor.By})
		}
	}
	return list, nil
}

func (a *reception) Roles(rights.Who) (list []rights.RoleView, _ error) {
	for name, set := range rights.Defaults() {
		list = append(list, rights.RoleView{Name: name, Rights: set.List(), Default: true, People: 1})
	}
	return list, nil
}

func (a *reception) HeldOn(_ context.Context, _ rights.Who, at time.Time) ([]rights.Holding, error) {
	return []rights.Holding{{Person: "it", Name: "The it", Right: rights.People, Roles: []string{"it"}, From: at.Add(-time.Hour)}}, nil
}

func (a *reception) review(who rights.Who, r rights.AccountReview) *record.AccountsReviewed {
	return &record.AccountsReviewed{Head: record.Head{ID: "north-lab/7qx3/@/000077", Seq: 77}, At: r.At, People: 6, Findings: r.Findings, By: who.Actor,
		Stamp: record.Stamp{UTC: record.UTC(time.Now()), Zone: "+01:00", Clock: "unchecked"}}
}

func (a *reception) ReviewAccounts(_ context.Context, who rights.Who, r rights.AccountReview) (*record.AccountsReviewed, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.review(who, r), a.act("review")
}

func (a *reception) AccountReviews(_ context.Context, who rights.Who) ([]*record.AccountsReviewed, error) {
	return []*record.AccountsReviewed{a.review(who, rights.AccountReview{At: 5, Findings: "Nothing unusual."})}, nil
}

func (a *reception) Keys(rights.Who) ([]rights.KeyView, error) {
	return []rights.KeyView{{APIKey: record.APIKey{ID: "lims", Name: "the lab system", Roles: []string{"machine"}}, Seq: 5, By: "it", Rights: rights.Defaults()[rights.Machine].List()}}, nil
}

func (a *reception) MakeKey(_ context.Context, _ rights.Who, k rights.NewKey) (rights.MadeKey, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	return rights.MadeKey{APIKey: record.APIKey{ID: k.ID, Name: k.Name, Roles: k.Roles}, Key: "wp_shown-once"}, a.act("key")
}

func (a *reception) RevokeKey(_ context.Context, _ rights.Who, id, _ string) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	if id == "none" {
		return &rights.Refused{Why: "There is no key none."}
	}
	return a.act("revoke")
}

func (a *reception) count() int {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.acts
}

// enter signs somebody in by the fake itself, and gives what the page then adds to every request.
func (h *house) enter(t *testing.T, id string) func(*http.Request) {
	t.Helper()
	h.access.mu.Lock()
	s := h.access.begin(id, record.ActorPassword, "http 127.0.0.1", "")
	h.access.mu.Unlock()
	return h.carrying(s.Secret)
}

// carrying is what a browser sends with a session.
func (h *house) carrying(secret string) func(*http.Request) {
	return func(r *http.Request) {
		r.Header.Del("Authorization")
		r.AddCookie(&http.Cookie{Name: "weighpost-" + h.port, Value: secret})
		r.Header.Set("Origin", h.base)
		r.Header.Set(pageMark, pageMarks)
	}
}
