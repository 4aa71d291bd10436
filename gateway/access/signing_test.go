package access_test

import (
	"errors"
	"net/url"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/access"
	"weighpost/gateway/access/ldap"
	"weighpost/gateway/access/ldap/slapd"
	"weighpost/gateway/access/openid"
	"weighpost/gateway/access/openid/optest"
	"weighpost/gateway/access/outside"
	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/parsers/strict"
)

// toSign is what somebody gives to sign a run.
func toSign(login, with string) rights.Signing {
	return rights.Signing{Login: login, Secret: with, Address: "192.0.2.7", Meaning: record.MeansApproved,
		Run: record.RunRef{ID: "r-7qx3-000017", Procedure: record.ProcedureRef{Name: "seed-moisture", Version: 1, Hash: "sha256:00"}}}
}

// refusals gives why attempts to sign failed, as the journal has them.
func (r *rig) notSigned() (why []string) {
	for _, e := range entries[record.SignatureRefused](r, record.KindSignatureRefused) {
		why = append(why, e.By.ID+": "+e.Why)
	}
	return why
}

func refusedWhy(err error) string {
	var refused *rights.Refused
	if errors.As(err, &refused) {
		return refused.Why
	}
	return ""
}

// TestBothPartsAtTheFirstSignature: 21 CFR 11.200(a)(1): all parts at the first signing of a continuous period, at least the secret at each
// further one; all again once nothing was signed for a while, and in another session.
func TestBothPartsAtTheFirstSignature(t *testing.T) {
	r := newRig(t, func(r *rig) { r.cfg.Session.Idle = strict.Duration(12 * time.Hour) })
	r.add("anna", rights.Reviewer)
	one, two := r.signIn("anna", good("anna")).Who, r.signIn("anna", good("anna")).Who
	sign := func(who rights.Who, login, with string) (rights.Signed, error) {
		return r.book.Sign(t.Context(), who, toSign(login, with))
	}
	asks := func(who rights.Who, want bool, when string) {
		t.Helper()
		if got := r.book.AsksToSign(who); got.Both != want || got.Not != "" {
			t.Errorf("%s: %+v", when, got)
		}
		_, err := sign(who, "", good("anna"))
		if both := strings.Contains(refusedWhy(err), "your id and your secret"); both != want || !want && err != nil {
			t.Errorf("%s, the secret alone: %v", when, err)
		}
	}
	asks(one, true, "after a sign-in")
	s, err := sign(one, "ANNA", good("anna"))
	if err != nil || s.How != record.ShownBoth || s.Login != "ANNA" || s.Who.Actor.Name != "Person anna" || s.Who.Actor.Role != "reviewer" || s.Directory {
		t.Fatalf("%+v, %v", s, err)
	}
	asks(one, false, "after a signature")
	if s, err = sign(one, "", good("anna")); err != nil || s.How != record.ShownSecret || s.Login != "anna" {
		t.Errorf("%+v, %v", s, err)
	}
	if _, err := sign(one, "", ""); !strings.Contains(refusedWhy(err), "give your secret") {
		t.Errorf("no secret at all: %v", err)
	}
	asks(two, true, "at another screen")
	r.pass(14 * time.Minute)
	asks(one, false, "after 14 minutes")
	r.pass(14*time.Minute + 59*time.Second)
	asks(one, false, "another 15 minutes after that, less a second")
	r.pass(15 * time.Minute)
	asks(one, true, "after 15 minutes without a signature")
	if _, err := sign(one, "anna", good("anna")); err != nil {
		t.Fatal(err)
	}
	if err := r.book.SignOut(t.Context(), one); err != nil {
		t.Fatal(err)
	}
	if _, err := sign(one, "anna", good("anna")); !errors.Is(err, rights.ErrNoSession) {
		t.Errorf("signed out: %v", err)
	}
	asks(r.signIn("anna", good("anna")).Who, true, "signed out and in again")
	r.configure(func(c *access.Config) { c.SignIdle = strict.Duration(time.Minute) })
	if _, err := sign(two, "anna", good("anna")); err != nil {
		t.Fatal(err)
	}
	r.pass(time.Minute)
	asks(two, true, "after the minute that the lab allows")
	if list := r.notSigned(); len(list) != 0 {
		t.Errorf("what was not asked for rightly is no attempt that failed: %q", list)
	}
	r.nowhere(good("anna"))
}

// TestAWrongSecretAlarmsAtOnce: 21 CFR 11.300(d). Nobody signs as another (11.200(a)(2)), and what an administrator reset signs nothing
// (11.200(a)(3)).
func TestAWrongSecretAlarmsAtOnce(t *testing.T) {
	r := newRig(t)
	r.add("anna", rights.Reviewer)
	r.add("bela", rights.Reviewer)
	r.add("chef", rights.IT)
	anna := r.signIn("anna", good("anna")).Who
	n := 0
	fails := func(who rights.Who, in rights.Signing, why string) {
		t.Helper()
		n++
		if _, err := r.book.Sign(t.Context(), who, in); !errors.Is(err, rights.ErrWrong) {
			t.Errorf("%s: %v", why, err)
		}
		list := r.notSigned() // no waiting: it is in the journal when the answer comes
		if len(list) != n || !strings.Contains(list[n-1], why) {
			t.Errorf("%s: the journal has %q", why, list)
		}
		if says := r.says(health.SignatureRefused, who.Person); !strings.Contains(says, why) || !strings.Contains(says, "r-7qx3-000017") {
			t.Errorf("%s: the condition says %q", why, says)
		}
		r.pass(time.Hour) // past the throttle
	}
	fails(anna, toSign("anna", "not the secret"), "the secret is wrong")
	anna = r.signIn("anna", good("anna")).Who
	fails(anna, toSign("bela", good("bela")), "not that of whoever is signed in")
	anna = r.signIn("anna", good("anna")).Who
	fails(anna, toSign("nobody", good("anna")), "not that of whoever is signed in")
	anna = r.signIn("anna", good("anna")).Who
	chef := r.signIn("chef", good("chef")).Who
	reset, err := r.book.ResetSecret(t.Context(), chef, "anna", "forgotten")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.book.Sign(t.Context(), anna, toSign("anna", good("anna"))); !errors.Is(err, rights.ErrNoSession) {
		t.Errorf("the session of before the reset: %v", err)
	}
	must := r.signIn("anna", reset)
	fails(must.Who, toSign("anna", reset), "was reset or has expired")
	must = r.signIn("anna", reset)
	s, err := r.book.ChangeSecret(t.Context(), must.Who, reset, good("another"), "192.0.2.7")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.book.Sign(t.Context(), s.Who, toSign("anna", good("another"))); err != nil {
		t.Errorf("with a secret of her own: %v", err)
	}
	r.pass(22 * time.Hour) // and one since then
	r.book.Reload()
	if r.says(health.SignatureRefused, "anna") == "" {
		t.Error("a day has not passed")
	}
	r.pass(time.Hour)
	r.book.Reload()
	if says := r.says(health.SignatureRefused, "anna"); says != "" {
		t.Errorf("after a day it still says %q", says)
	}
	r.nowhere(good("another"), good("bela"), reset)
}

// TestASecretThatExpiredSignsNothing although its session goes on.
func TestASecretThatExpiredSignsNothing(t *testing.T) {
	r := newRig(t, func(r *rig) {
		r.cfg.Password.Expires = strict.Duration(24 * 30 * time.Hour)
		r.cfg.Session.Absolute = strict.Duration(24 * time.Hour)
		r.cfg.Session.Idle = strict.Duration(12 * time.Hour)
	})
	r.add("anna", rights.Reviewer)
	r.pass(30*24*time.Hour - time.Hour)
	anna := r.signIn("anna", good("anna")).Who
	if _, err := r.book.Sign(t.Context(), anna, toSign("anna", good("anna"))); err != nil {
		t.Fatal(err)
	}
	r.pass(2 * time.Hour)
	if _, err := r.book.Sign(t.Context(), anna, toSign("anna", good("anna"))); !errors.Is(err, rights.ErrWrong) || len(r.notSigned()) != 1 {
		t.Errorf("%v, %q", err, r.notSigned())
	}
}

// TestSigningIsThrottledAsSigningInIs: one count for both, so that signing is no way to guess.
func TestSigningIsThrottledAsSigningInIs(t *testing.T) {
	r := newRig(t, func(r *rig) { r.cfg.Lock.After = 5 })
	r.add("anna", rights.Reviewer)
	anna := r.signIn("anna", good("anna")).Who
	for range 20 {
		_, err := r.book.Sign(t.Context(), anna, toSign("anna", "a guess"))
		var throttled *rights.Throttled
		if r.says(health.AccountLocked, "anna") != "" {
			break
		}
		if errors.As(err, &throttled) {
			r.pass(throttled.After)
		} else if !errors.Is(err, rights.ErrWrong) {
			t.Fatal(err)
		}
	}
	if n := len(r.notSigned()); n != 5 {
		t.Errorf("locked after %d", n)
	}
	var throttled *rights.Throttled
	if _, err := r.book.Sign(t.Context(), anna, toSign("anna", good("anna"))); !errors.As(err, &throttled) {
		t.Errorf("a locked account signs: %v", err)
	}
	if _, err := r.try("anna", good("anna")); !errors.As(err, &throttled) {
		t.Errorf("a locked account signs in: %v", err)
	}
}

// TestABadgeNeverSigns: not alone, not with its PIN; and whoever signed in by one gives id and secret each time.
func TestABadgeNeverSigns(t *testing.T) {
	r := newRig(t, func(r *rig) { r.cfg.Badge.SignIn = true })
	r.add("anna", rights.Operator)
	anna := r.signIn("anna", good("anna"))
	if _, err := r.book.SetPIN(t.Context(), anna.Who, "anna", "739164", ""); err != nil {
		t.Fatal(err)
	}
	if _, err := r.book.AddBadge(t.Context(), host, "anna", "B-0007", "a test"); err != nil {
		t.Fatal(err)
	}
	for _, pin := range []string{"", "739164"} {
		r.configure(func(c *access.Config) { c.Badge.PIN = pin != "" })
		s, err := r.book.SignInBadge(t.Context(), rights.Badge{Code: "B-0007", PIN: pin, Balance: "b-12", Address: "b-12", Where: "bench b-12"})
		if err != nil {
			t.Fatal(err)
		}
		for what, in := range map[string]rights.Signing{"nothing": toSign("", ""), "the badge": toSign("anna", ""), "the secret alone": toSign("", good("anna"))} {
			if _, err := r.book.Sign(t.Context(), s.Who, in); refusedWhy(err) == "" {
				t.Errorf("PIN %q, with %s: %v", pin, what, err)
			}
		}
		for what, in := range map[string]rights.Signing{"the badge's code": toSign("anna", "B-0007"), "the PIN": toSign("anna", "739164")} {
			if _, err := r.book.Sign(t.Context(), s.Who, in); !errors.Is(err, rights.ErrWrong) {
				t.Errorf("PIN %q, with %s as the secret: %v", pin, what, err)
			}
			r.pass(5 * time.Minute)
		}
		for range 2 { // the second time too
			if got, err := r.book.Sign(t.Context(), s.Who, toSign("anna", good("anna"))); err != nil || got.How != record.ShownBoth {
				t.Errorf("PIN %q, with id and secret: %+v %v", pin, got, err)
			}
			if !r.book.AsksToSign(s.Who).Both {
				t.Errorf("PIN %q: a continuous period began at a bench", pin)
			}
		}
	}
}

// TestNobodyWithoutAnAccountSigns: a key, the host's token, a visitor.
func TestNobodyWithoutAnAccountSigns(t *testing.T) {
	r := newRig(t)
	r.add("anna", rights.Reviewer)
	for what, who := range map[string]rights.Who{"host": host, "visitor": r.book.Visitor(true, "page"), "a key": {Known: true, Actor: record.Actor{ID: "lims", By: record.ActorAPIKey}}} {
		if _, err := r.book.Sign(t.Context(), who, toSign("anna", good("anna"))); !strings.Contains(refusedWhy(err), "account of their own") {
			t.Errorf("%s: %v", what, err)
		}
		if r.book.AsksToSign(who).Not == "" {
			t.Errorf("%s may sign", what)
		}
	}
}

// TestDirectoryPeopleAreAskedForFreshly, by a real directory: while it does not answer nobody signs, although its people may still sign in.
func TestDirectoryPeopleAreAskedForFreshly(t *testing.T) {
	dir := slapd.Start(t, slapd.Options{})
	dir.Add(t, slapd.Lab)
	r := withDirectory(t, dir, ldap.Offline{Allow: true, For: strict.Duration(2 * time.Hour)})
	ada := r.signIn("ada", slapd.Secret).Who
	if s, err := r.book.Sign(t.Context(), ada, toSign("ada", slapd.Secret)); err != nil || !s.Directory || s.How != record.ShownBoth || s.Who.Actor.ID != ada.Person {
		t.Fatalf("%+v, %v", s, err)
	}
	if s, err := r.book.Sign(t.Context(), ada, toSign("", slapd.Secret)); err != nil || !s.Directory || s.How != record.ShownSecret {
		t.Errorf("%+v, %v", s, err)
	}
	if _, err := r.book.Sign(t.Context(), ada, toSign("", "wrong")); !errors.Is(err, rights.ErrWrong) || len(r.notSigned()) != 1 {
		t.Errorf("%v, %q", err, r.notSigned())
	}
	dir.Kill(t)
	if s := r.signIn("ada", slapd.Secret); s.Who.Actor.By != record.ActorCached {
		t.Fatalf("%+v", s.Who)
	} else if _, err := r.book.Sign(t.Context(), s.Who, toSign("ada", slapd.Secret)); !strings.Contains(refusedWhy(err), "does not answer") {
		t.Errorf("signed in by what it said before: %v", err)
	}
	if _, err := r.book.Sign(t.Context(), ada, toSign("ada", slapd.Secret)); !strings.Contains(refusedWhy(err), "does not answer") {
		t.Errorf("the directory is down: %v", err)
	}
	if len(r.notSigned()) != 1 {
		t.Errorf("that it does not answer is nobody's attempt: %q", r.notSigned())
	}
	dir.Start(t)
	if _, err := r.book.Sign(t.Context(), ada, toSign("ada", slapd.Secret)); err != nil {
		t.Errorf("once it is back: %v", err)
	}
}

// TestSigningAtAProvider, a real one: freshly, as the same person, and in the session that began it.
func TestSigningAtAProvider(t *testing.T) {
	const back = "https://page.lab.example/sign-in/openid"
	ada := optest.Person{Secret: "correct horse", Subject: "s-1", Login: "ada", Name: "Ada Brook"}
	bo := optest.Person{Secret: "other", Subject: "s-2", Login: "bo", Name: "Bo Lind"}
	op := optest.Start(t, optest.Options{Client: "weighpost", Redirects: []string{back}, People: map[string]optest.Person{"ada": ada, "bo": bo}})
	r := newRig(t, func(r *rig) {
		r.now = time.Now()
		r.prov = openid.New(openid.Options{Config: func() openid.Config { return openid.Config{Issuer: op.URL, ClientID: "weighpost"} }, Now: r.clock})
	})
	browser := optest.Browser(t)
	query := func(to, login, with string) url.Values {
		u, err := url.Parse(op.SignIn(t, browser, to, login, with))
		if err != nil {
			t.Fatal(err)
		}
		return u.Query()
	}
	to, _, err := r.book.BeginOpenID(t.Context(), back, false)
	if err != nil {
		t.Fatal(err)
	}
	s, err := r.book.FinishOpenID(t.Context(), query(to, "ada", ada.Secret), "192.0.2.7", "page")
	if err != nil {
		t.Fatal(err)
	}
	if asks := r.book.AsksToSign(s.Who); asks.Provider != "openid" {
		t.Errorf("%+v", asks)
	}
	if _, err := r.book.Sign(t.Context(), s.Who, toSign("ada", ada.Secret)); !strings.Contains(refusedWhy(err), "showing anew at openid") {
		t.Errorf("with a secret: %v", err)
	}
	begin := func() (to, state string) {
		to, state, err := r.book.BeginSigning(t.Context(), s.Who, back, toSign("", ""), "run r-7qx3-000017")
		if err != nil || !r.book.SignsBy(state) {
			t.Fatal(err)
		}
		if q, _ := url.Parse(to); q.Query().Get("prompt") != "login" || q.Query().Get("max_age") != "0" {
			t.Errorf("not freshly: %s", to)
		}
		return to, state
	}
	to, _ = begin()
	answer := query(to, "ada", ada.Secret)
	signed, what, err := r.book.FinishSigning(t.Context(), answer)
	if err != nil || signed.How != record.ShownOpenID || signed.Who.Person != s.Person.ID || what != "run r-7qx3-000017" || signed.Login != "ada" {
		t.Fatalf("%+v %v %v", signed, what, err)
	}
	if _, _, err := r.book.FinishSigning(t.Context(), answer); refusedWhy(err) == "" {
		t.Errorf("twice: %v", err)
	}
	to, _ = begin()
	if _, _, err := r.book.FinishSigning(t.Context(), query(to, "bo", bo.Secret)); !errors.Is(err, rights.ErrWrong) || len(r.notSigned()) != 1 {
		t.Errorf("another person: %v, %q", err, r.notSigned())
	}
	to, _ = begin()
	if _, err := r.book.FinishOpenID(t.Context(), query(to, "ada", ada.Secret), "", ""); refusedWhy(err) == "" {
		t.Errorf("what was begun to sign signs somebody in: %v", err)
	}
	to, _, _ = r.book.BeginOpenID(t.Context(), back, true)
	if _, _, err := r.book.FinishSigning(t.Context(), query(to, "ada", ada.Secret)); refusedWhy(err) == "" {
		t.Errorf("what was begun to sign in signs: %v", err)
	}
	to, _ = begin()
	if err := r.book.SignOut(t.Context(), s.Who); err != nil {
		t.Fatal(err)
	}
	if _, _, err := r.book.FinishSigning(t.Context(), query(to, "ada", ada.Secret)); !errors.Is(err, rights.ErrNoSession) {
		t.Errorf("signed out meanwhile: %v", err)
	}
}

// TestAProviderThatDoesNotAskAnewSignsNothing: a sign-in of an hour ago counts for nothing (OpenID Connect Core 1.0, section 3.1.2.1).
func TestAProviderThatDoesNotAskAnewSignsNothing(t *testing.T) {
	l := newLab()
	r := newRig(t, func(r *rig) { r.prov = l })
	l.found["ok"] = outside.Found{Source: "directory", Immutable: "sub-1", Login: "anna", Name: "Anna", Groups: []string{"weighers"}}
	_, state, _ := r.book.BeginOpenID(t.Context(), "https://here.example/back", false)
	s, err := r.book.FinishOpenID(t.Context(), url.Values{"state": {state}, "code": {"ok"}}, "192.0.2.7", "page")
	if err != nil {
		t.Fatal(err)
	}
	for why, fails := range map[string]error{"did not have this person show anew": &outside.Refused{Why: "the provider did not have this person show anew who they are"},
		"does not answer": &outside.Unavailable{Err: errors.New("connection refused")}, "cannot be trusted": errors.New("the nonce is not that of this sign-in")} {
		l.fails(nil)
		_, state, err := r.book.BeginSigning(t.Context(), s.Who, "https://here.example/back", toSign("", ""), nil)
		if err != nil {
			t.Fatal(err)
		}
		l.fails(fails)
		if _, _, err := r.book.FinishSigning(t.Context(), url.Values{"state": {state}, "code": {"ok"}}); !strings.Contains(refusedWhy(err), why) {
			t.Errorf("%s: %v", why, err)
		}
	}
	if len(r.notSigned()) != 2 { // an outage is nobody's attempt
		t.Errorf("%q", r.notSigned())
	}
}
