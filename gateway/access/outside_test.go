package access_test

import (
	"context"
	"errors"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/access/outside"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// lab is a directory and a provider that answer what a test says.
type lab struct {
	mu    sync.Mutex
	found map[string]outside.Found // by login
	right map[string]string        // secret by login
	err   error
	flows int
}

func (l *lab) Source() string { return "directory" }

func (l *lab) Authenticate(_ context.Context, login, secret string) (outside.Found, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.err != nil {
		return outside.Found{}, l.err
	}
	if f, there := l.found[login]; there && secret != "" && l.right[login] == secret {
		return f, nil
	}
	return outside.Found{}, outside.ErrWrong
}

func (l *lab) Find(_ context.Context, login string) (outside.Found, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if f, there := l.found[login]; there && l.err == nil {
		return f, nil
	}
	if l.err != nil {
		return outside.Found{}, l.err
	}
	return outside.Found{}, outside.ErrWrong
}

func (l *lab) set(login, secret string, f outside.Found) {
	l.mu.Lock()
	defer l.mu.Unlock()
	f.Source, f.Login = "directory", login
	l.found[login], l.right[login] = f, secret
}

func (l *lab) fails(err error) { l.mu.Lock(); defer l.mu.Unlock(); l.err = err }

const weighers = "cn=weighers,ou=groups,dc=seed-bank,dc=example"

// withLab gives a rig a directory in which weighers are operators.
func withLab(l *lab, offline bool) func(*rig) {
	return func(r *rig) {
		r.dirs = l
		d := &r.cfg.Directory
		d.URL, d.BindDN, d.Offline.Allow = "ldaps://directory.example", "cn=weighpost", offline
		d.Groups.Roles = append(d.Groups.Roles, roles(weighers, rights.Operator), roles("cn=auditors", rights.Auditor))
	}
}

func newLab() *lab { return &lab{found: map[string]outside.Found{}, right: map[string]string{}} }

// TestDirectoryPeople: the account is made at the first sign-in, follows the directory, keeps its id when its person is renamed
// there, and nobody else ever gets it.
func TestDirectoryPeople(t *testing.T) {
	l := newLab()
	r := newRig(t, withLab(l, false))
	r.add("local", rights.IT)
	l.set("alind", "s1", outside.Found{Immutable: "uuid-1", Name: "Anna Lind", Groups: []string{weighers}})
	s := r.signIn("alind", "s1")
	if s.Person.ID != "alind" || s.Who.Actor.By != record.ActorDirectory || s.Who.Actor.Role != "operator" || s.MustChange {
		t.Errorf("%+v", s)
	}
	r.signIn("alind", "s1")
	if got := strings.Join(r.changes("alind"), " "); got != "added" {
		t.Errorf("a sign-in at which nothing changed is an entry: %s", got)
	}
	// Renamed there, and in another group.
	delete(l.found, "alind")
	l.set("aberg", "s1", outside.Found{Immutable: "uuid-1", Name: "Anna Berg", Groups: []string{"cn=auditors"}})
	if s = r.signIn("aberg", "s1"); s.Person.ID != "alind" || s.Who.Actor.Name != "Anna Berg" || s.Who.Actor.Role != "auditor" {
		t.Errorf("%+v", s.Person)
	}
	// The login that she had goes to another person, there.
	l.set("alind", "s2", outside.Found{Immutable: "uuid-2", Name: "Axel Lind", Groups: []string{weighers}})
	var refused *rights.Refused
	if _, err := r.try("alind", "s2"); !errors.As(err, &refused) || !strings.Contains(refused.Why, "is never given to another person") {
		t.Errorf("%v", err)
	}
	// One who has the login of a local account is not taken for them.
	l.set("local", "s3", outside.Found{Immutable: "uuid-3", Name: "Lo Cal", Groups: []string{weighers}})
	if _, err := r.try("local", "s3"); !errors.Is(err, rights.ErrWrong) {
		t.Errorf("%v", err)
	}
	// Nobody in no group of ours.
	l.set("guest", "s4", outside.Found{Immutable: "uuid-4", Name: "Guest"})
	if _, err := r.try("guest", "s4"); !errors.As(err, &refused) || !strings.Contains(refused.Why, "none of the groups") {
		t.Errorf("%v", err)
	}
	if _, err := r.book.Person(host, "guest"); !errors.Is(err, rights.ErrNoPerson) {
		t.Error("an account was made for nothing")
	}
	name := "Another"
	if _, err := r.book.ChangePerson(t.Context(), host, "alind", rights.PersonChange{Name: &name, Reason: "x"}); err == nil || !strings.Contains(err.Error(), "change them there") {
		t.Errorf("%v", err)
	}
}

// TestDirectoryDown: without a policy nobody of it gets in; with one, the secret that it took last does, for a time, and is marked.
func TestDirectoryDown(t *testing.T) {
	down := &outside.Unavailable{Err: errors.New("connection refused")}
	for _, offline := range []bool{false, true} {
		l := newLab()
		r := newRig(t, withLab(l, offline))
		r.add("local", rights.IT)
		l.set("alind", "a secret there", outside.Found{Immutable: "uuid-1", Name: "Anna", Groups: []string{weighers}})
		r.signIn("alind", "a secret there")
		l.fails(down)
		r.signIn("local", good("local")) // local people go on
		s, err := r.try("alind", "a secret there")
		var refused *rights.Refused
		if !offline {
			if !errors.As(err, &refused) || !strings.Contains(refused.Why, "does not answer") {
				t.Errorf("without a policy: %v", err)
			}
			continue
		}
		if err != nil || s.Who.Actor.By != record.ActorCached {
			t.Errorf("%+v, %v", s.Who.Actor, err)
		}
		if _, err := r.try("alind", "another secret"); !errors.Is(err, rights.ErrWrong) {
			t.Errorf("a wrong secret: %v", err)
		}
		r.pass(13 * time.Hour) // longer than 12 h
		if _, err := r.try("alind", "a secret there"); !errors.Is(err, rights.ErrWrong) {
			t.Errorf("after too long: %v", err)
		}
		r.nowhere("a secret there")
	}
}

// TestGoneFromTheDirectory: sessions end at the next look (NIST SP 800-53 AC-2: accounts are disabled when no longer there).
func TestGoneFromTheDirectory(t *testing.T) {
	for what, do := range map[string]func(l *lab){
		"deleted":  func(l *lab) { delete(l.found, "alind") },
		"disabled": func(l *lab) { l.err = &outside.Refused{Why: "is disabled", Locked: true} },
		"another": func(l *lab) {
			l.found["alind"] = outside.Found{Source: "directory", Immutable: "uuid-9", Login: "alind", Groups: []string{weighers}}
		},
		"in no group": func(l *lab) {
			l.found["alind"] = outside.Found{Source: "directory", Immutable: "uuid-1", Login: "alind"}
		},
		"not reachable": func(l *lab) { l.err = &outside.Unavailable{Err: errors.New("timeout")} },
		"as before":     func(*lab) {},
	} {
		l := newLab()
		r := newRig(t, withLab(l, true))
		l.set("alind", "s1", outside.Found{Immutable: "uuid-1", Name: "Anna", Groups: []string{weighers}})
		s := r.signIn("alind", "s1")
		l.mu.Lock()
		do(l)
		l.mu.Unlock()
		r.book.Recheck(t.Context())
		_, err := r.book.WhoIs(s.Secret, "")
		if stays := what == "not reachable" || what == "as before"; stays != (err == nil) {
			t.Errorf("%s: %v", what, err)
		}
		r.close()
	}
}

// Begin and Finish make the lab a provider.
func (l *lab) Begin(_ context.Context, redirect string, fresh bool) (string, outside.Flow, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.flows++
	f := outside.Flow{State: strings.Repeat("s", l.flows), Redirect: redirect, When: time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC), Fresh: fresh}
	return "https://provider.example/?state=" + f.State, f, l.err
}

func (l *lab) Finish(_ context.Context, f outside.Flow, q url.Values) (outside.Found, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.found[q.Get("code")], l.err
}

// TestOpenIDFlowsAreUsedOnce: RFC 6749 section 10.12: an answer belongs to a sign-in that was begun here, lately, and once.
func TestOpenIDFlowsAreUsedOnce(t *testing.T) {
	l := newLab()
	r := newRig(t, func(r *rig) { r.prov = l })
	l.found["ok"] = outside.Found{Source: "provider", Immutable: "sub-1", Login: "anna", Name: "Anna", Groups: []string{"weighers"}}
	to, state, err := r.book.BeginOpenID(t.Context(), "https://here.example/back", true)
	if err != nil || !strings.Contains(to, state) {
		t.Fatal(to, state, err)
	}
	answer := url.Values{"state": {state}, "code": {"ok"}}
	s, err := r.book.FinishOpenID(t.Context(), answer, "192.0.2.7", "page")
	if err != nil || s.Person.ID != "anna" || s.Who.Actor.By != record.ActorOpenID {
		t.Fatalf("%+v %v", s, err)
	}
	var refused *rights.Refused
	for what, q := range map[string]url.Values{"again": answer, "of nobody": {"state": {"other"}, "code": {"ok"}}, "none": {"code": {"ok"}}} {
		if _, err := r.book.FinishOpenID(t.Context(), q, "192.0.2.7", "page"); !errors.As(err, &refused) || !strings.Contains(refused.Why, "not begun here") {
			t.Errorf("%s: %v", what, err)
		}
	}
	_, state, _ = r.book.BeginOpenID(t.Context(), "", false)
	r.pass(11 * time.Minute)
	if _, err := r.book.FinishOpenID(t.Context(), url.Values{"state": {state}, "code": {"ok"}}, "", ""); !errors.As(err, &refused) {
		t.Errorf("after eleven minutes: %v", err)
	}
}
