package access_test

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/access"
	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// TestSignInAndOut: what a person may do, what the entries say, and that nothing secret is anywhere.
func TestSignInAndOut(t *testing.T) {
	r := newRig(t)
	r.add("p-07", rights.Operator)
	s := r.signIn("P-07", good("p-07")) // ids are compared after case folding
	if s.MustChange || s.Who.Actor.Role != "operator" || s.Who.Actor.By != record.ActorPassword || !s.Who.Rights.Has(rights.Weigh) || s.Who.Rights.Has(rights.People) {
		t.Errorf("%+v", s.Who)
	}
	who, err := r.book.WhoIs(s.Secret, "page")
	if err != nil || who.Person != "p-07" || who.Session != s.ID || who.Actor.Name != "Person p-07" {
		t.Errorf("%+v, %v", who, err)
	}
	if err := r.book.SignOut(t.Context(), who); err != nil {
		t.Fatal(err)
	}
	if _, err := r.book.WhoIs(s.Secret, "page"); !errors.Is(err, rights.ErrNoSession) {
		t.Errorf("after signing out: %v", err)
	}
	in, out := entries[record.SignedIn](r, record.KindSignedIn), entries[record.SignedOut](r, record.KindSignedOut)
	if len(in) != 2 || in[1].Session != s.ID || len(out) != 2 || out[1].Session != s.ID || out[1].Cause != "asked" || out[1].By.ID != "p-07" {
		t.Errorf("%+v %+v", in, out)
	}
	if got := r.changes("p-07"); !slices.Equal(got, []string{"added", "secret-reset", "secret-set"}) {
		t.Errorf("%v", got)
	}
	r.close()
	r.nowhere(good("p-07"), s.Secret)
}

// TestOneSentenceForEveryCause: whoever has not shown who they are learns nothing of accounts; the journal learns the cause.
func TestOneSentenceForEveryCause(t *testing.T) {
	r := newRig(t)
	r.add("p-07", rights.Operator)
	if _, err := r.book.AddPerson(t.Context(), host, rights.NewPerson{ID: "p-08", Name: "Nobody yet", Roles: []string{rights.Operator}}); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ login, secret string }{{"p-07", "wrong"}, {"p-07", ""}, {"p-99", good("p-07")}, {"", ""}, {"p-08", ""}, {"p-08", "anything at all that is long"}, {"*)(uid=*", "x"}} {
		if s, err := r.try(c.login, c.secret); !errors.Is(err, rights.ErrWrong) || s.Secret != "" {
			t.Errorf("%q, %q: %v", c.login, c.secret, err)
		}
		r.pass(time.Hour)
	}
	r.close()
	times, whys := uint64(0), []string{}
	for _, e := range entries[record.SignInRefused](r, record.KindSignInRefused) {
		times, whys = times+e.Times, append(whys, e.Why)
	}
	if times != 7 {
		t.Errorf("%d attempts are in the journal", times)
	}
	for _, want := range []string{"the secret is wrong", "nobody has this login", "the account has no secret"} {
		if !slices.Contains(whys, want) {
			t.Errorf("%v lacks %q", whys, want)
		}
	}
	r.nowhere("p-99", "(uid=") // what is typed as a login may be a secret
}

// TestLockedAndUnlocked: NIST SP 800-63B-4 section 3.2.2: failures are limited; here 3 lock, which is said at once.
func TestLockedAndUnlocked(t *testing.T) {
	r := newRig(t, func(r *rig) { r.cfg.Lock.After = 3 })
	r.add("p-07", rights.Operator)
	for range 3 {
		if _, err := r.try("p-07", "wrong"); !errors.Is(err, rights.ErrWrong) {
			t.Fatal(err)
		}
		r.pass(6 * time.Second)
	}
	if !strings.Contains(r.says(health.AccountLocked, "p-07"), "is locked until") {
		t.Errorf("%q", r.says(health.AccountLocked, "p-07"))
	}
	r.waitFor("an entry that says that it is locked", func() bool {
		return slices.ContainsFunc(entries[record.SignInRefused](r, record.KindSignInRefused), func(e record.SignInRefused) bool { return e.Locked && e.Person == "p-07" })
	})
	var throttled *rights.Throttled
	if _, err := r.try("p-07", good("p-07")); !errors.As(err, &throttled) || throttled.After > 15*time.Minute {
		t.Errorf("the right secret of a locked account: %v", err)
	}
	if _, err := r.book.ChangePerson(t.Context(), host, "p-07", rights.PersonChange{Unlock: true, Reason: "it was them"}); err != nil {
		t.Fatal(err)
	}
	if r.says(health.AccountLocked, "p-07") != "" {
		t.Error("it is still said to be locked")
	}
	r.pass(time.Minute)
	r.signIn("p-07", good("p-07"))
}

// TestChangedAtTheSameTime: two who saw the same account cannot both change it.
func TestChangedAtTheSameTime(t *testing.T) {
	r := newRig(t)
	r.add("p-07", rights.Operator)
	seen, err := r.book.Person(host, "p-07")
	if err != nil {
		t.Fatal(err)
	}
	name, roles := "Another Name", []string{rights.Reviewer}
	if _, err := r.book.ChangePerson(t.Context(), host, "p-07", rights.PersonChange{Seen: seen.Seq, Name: &name, Reason: "married"}); err != nil {
		t.Fatal(err)
	}
	var conflict *rights.Conflict
	if _, err := r.book.ChangePerson(t.Context(), host, "p-07", rights.PersonChange{Seen: seen.Seq, Roles: &roles, Reason: "moved"}); !errors.As(err, &conflict) || conflict.Seen != seen.Seq {
		t.Errorf("%v", err)
	}
	if now, _ := r.book.Person(host, "p-07"); now.Name != name || now.Person.Roles[0] != rights.Operator {
		t.Errorf("%+v", now)
	}
}

// TestAnIDIsNeverUsedAgain: 21 CFR 11.100(a); compared after NFC and case folding (Unicode, CaseFolding-15.1: 00DF; UAX #15: 212B).
func TestAnIDIsNeverUsedAgain(t *testing.T) {
	r := newRig(t)
	for _, id := range []string{"straße", "Ångström"} {
		r.add(id, rights.Operator)
	}
	yes := true
	if _, err := r.book.ChangePerson(t.Context(), host, "straße", rights.PersonChange{Disabled: &yes, Reason: "left"}); err != nil {
		t.Fatal(err)
	}
	for _, id := range []string{"straße", "STRASSE", "strasse", "\u00e5ngstro\u0308m", "A\u030angstro\u0308m"} {
		_, err := r.book.AddPerson(t.Context(), host, rights.NewPerson{ID: id, Name: "X", Roles: []string{rights.Operator}})
		if err == nil {
			t.Errorf("%q was given to another person", id)
		}
	}
	r.signIn("A\u030aNGSTRO\u0308M", good("Ångström")) // typed on a system that takes letters apart
	for _, id := range []string{"", "a b", "-x", "a/b", "a\u202eb", "ﬁeld", "ａbc", strings.Repeat("a", 64), "a\x00", "..", "a,b"} {
		if access.CheckID(id) == nil {
			t.Errorf("%q is taken", id)
		}
	}
}

// TestDisabledAtOnce: sessions end with the account, whoever holds the cookie (OWASP ASVS 5.0, 7.4.2).
func TestDisabledAtOnce(t *testing.T) {
	r := newRig(t)
	r.add("p-07", rights.Operator)
	s := r.signIn("p-07", good("p-07"))
	yes := true
	if _, err := r.book.ChangePerson(t.Context(), host, "p-07", rights.PersonChange{Disabled: &yes, Reason: "left the lab"}); err != nil {
		t.Fatal(err)
	}
	if _, err := r.book.WhoIs(s.Secret, ""); !errors.Is(err, rights.ErrNoSession) {
		t.Errorf("%v", err)
	}
	var refused *rights.Refused
	if _, err := r.try("p-07", good("p-07")); !errors.As(err, &refused) || !strings.Contains(refused.Why, "is disabled") {
		t.Errorf("%v", err)
	}
	out := entries[record.SignedOut](r, record.KindSignedOut)
	if last := out[len(out)-1]; last.Cause != "disabled" || last.Ended == nil || last.Ended.ID != "root" {
		t.Errorf("%+v", last)
	}
}

// TestNothingIsGivenOutThatIsNotRecorded: without its entry there is no session and no account.
func TestNothingIsGivenOutThatIsNotRecorded(t *testing.T) {
	r := newRig(t)
	r.add("p-07", rights.Operator)
	r.mu.Lock()
	r.refused = errors.New("the disk is full")
	r.mu.Unlock()
	if s, err := r.try("p-07", good("p-07")); err == nil || s.Secret != "" {
		t.Errorf("%+v %v", s, err)
	}
	if _, err := r.book.AddPerson(t.Context(), host, rights.NewPerson{ID: "p-08", Name: "X", Roles: []string{rights.Operator}, Secret: good("x")}); err == nil {
		t.Error("it is said to be added")
	}
	if _, err := r.book.ResetSecret(t.Context(), host, "p-07", "forgotten"); err == nil {
		t.Error("it is said to be reset")
	}
	r.mu.Lock()
	r.refused = nil
	r.mu.Unlock()
	if list, _ := r.book.Sessions(host, ""); len(list) != 0 {
		t.Errorf("%+v", list)
	}
	if _, err := r.book.Person(host, "p-08"); !errors.Is(err, rights.ErrNoPerson) {
		t.Errorf("%v", err)
	}
	r.signIn("p-07", good("p-07")) // the secret is the one that was
}
