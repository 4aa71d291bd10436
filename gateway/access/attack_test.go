package access_test

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/access"
	"weighpost/gateway/access/outside"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// TestNobodyRaisesThemselves: whoever looks after accounts and no more gives nobody more power over the system than they have,
// and nobody gives themselves any right.
func TestNobodyRaisesThemselves(t *testing.T) {
	r := newRig(t, func(r *rig) {
		r.cfg.Roles = map[string][]string{"clerk": {"people", "read-people", "own-account", "see"}}
	})
	r.add("clerk", "clerk")
	r.add("boss", rights.IT)
	r.add("p-07", rights.Operator)
	clerk, boss := r.signIn("clerk", good("clerk")).Who, r.signIn("boss", good("boss")).Who
	change := func(who rights.Who, id string, roles ...string) error {
		_, err := r.book.ChangePerson(t.Context(), who, id, rights.PersonChange{Roles: &roles, Reason: "a test"})
		return err
	}
	for what, err := range map[string]error{
		"a clerk makes themselves IT":     change(clerk, "clerk", "clerk", rights.IT),
		"a clerk makes another IT":        change(clerk, "p-07", rights.IT),
		"a clerk lets themselves weigh":   change(clerk, "clerk", "clerk", rights.Operator),
		"IT lets themselves review":       change(boss, "boss", rights.IT, rights.Reviewer),
		"a clerk adds an account with IT": second(r.book.AddPerson(t.Context(), clerk, rights.NewPerson{ID: "p-08", Name: "X", Roles: []string{rights.IT}, Secret: good("x")})),
		"a clerk resets the secret of IT": second(r.book.ResetSecret(t.Context(), clerk, "boss", "a test")),
	} {
		if err == nil {
			t.Error(what)
		}
	}
	for what, err := range map[string]error{
		"a clerk appoints a reviewer":         change(clerk, "p-07", rights.Reviewer),
		"a clerk adds an operator":            second(r.book.AddPerson(t.Context(), clerk, rights.NewPerson{ID: "p-09", Name: "X", Roles: []string{rights.Operator}})),
		"a clerk resets an operator's secret": second(r.book.ResetSecret(t.Context(), clerk, "p-09", "a test")),
		"IT appoints another IT":              change(boss, "p-09", rights.IT),
		"IT lays a role down":                 change(boss, "boss", "clerk"),
		"the host does as it likes":           change(host, "boss", rights.IT, rights.Operator),
	} {
		if err != nil {
			t.Errorf("%s: %v", what, err)
		}
	}
}

func second[T any](_ T, err error) error { return err }

// TestNobodyPutsOffTheirOwnEnd: whoever looks after accounts for a while only does not look after them for good.
func TestNobodyPutsOffTheirOwnEnd(t *testing.T) {
	r := newRig(t)
	r.add("boss", rights.IT)
	r.add("temp", rights.IT)
	end, never := r.clock().Add(24*time.Hour), time.Time{}
	if _, err := r.book.ChangePerson(t.Context(), host, "temp", rights.PersonChange{Expires: &end, Reason: "for a day"}); err != nil {
		t.Fatal(err)
	}
	temp := r.signIn("temp", good("temp")).Who
	later, sooner := end.Add(time.Hour), end.Add(-time.Hour)
	for _, to := range []time.Time{later, never} {
		if _, err := r.book.ChangePerson(t.Context(), temp, "temp", rights.PersonChange{Expires: &to, Reason: "a test"}); err == nil {
			t.Errorf("put off to %s", to)
		}
	}
	if _, err := r.book.ChangePerson(t.Context(), temp, "temp", rights.PersonChange{Expires: &sooner, Reason: "a test"}); err != nil {
		t.Error(err)
	}
}

// TestAKeyGivesNoMoreThanItHas: neither other balances nor a longer life than that of the key that makes it.
func TestAKeyGivesNoMoreThanItHas(t *testing.T) {
	r := newRig(t, func(r *rig) { r.cfg.Roles = map[string][]string{"minter": {"api-keys", "see"}} })
	end := r.clock().Add(time.Hour)
	made, err := r.book.MakeKey(t.Context(), host, rights.NewKey{ID: "minter", Name: "X", Roles: []string{"minter"}, Balances: []string{"b-1"}, Expires: &end})
	if err != nil {
		t.Fatal(err)
	}
	who, err := r.book.WhoseKey(made.Key, "", "")
	if err != nil {
		t.Fatal(err)
	}
	later := end.Add(time.Hour)
	for what, k := range map[string]rights.NewKey{
		"all balances":        {ID: "k-1"},
		"another balance":     {ID: "k-2", Balances: []string{"b-1", "b-2"}},
		"no balance":          {ID: "k-3", Balances: []string{}},
		"it lives for longer": {ID: "k-4", Balances: []string{"b-1"}, Expires: &later},
	} {
		k.Name, k.Roles = "X", []string{rights.Machine}
		if _, err := r.book.MakeKey(t.Context(), who, k); err == nil {
			t.Errorf("%s", what)
		}
	}
	if _, err := r.book.MakeKey(t.Context(), host, rights.NewKey{ID: "k-5", Name: "X", Roles: []string{rights.Machine}, Balances: []string{}}); err == nil {
		t.Error("a key that is limited to no balance is one for all of them once it was recorded")
	}
	child, err := r.book.MakeKey(t.Context(), who, rights.NewKey{ID: "k-6", Name: "X", Roles: []string{rights.Machine}, Balances: []string{"b-1"}})
	if err != nil || child.Expires.Time().After(end) {
		t.Errorf("%+v %v", child, err)
	}
}

// slow is a hasher whose answer to one question is held back.
type slow struct {
	access.Hasher
	asked, answer chan struct{}
}

func (s *slow) Verify(ctx context.Context, hash, given string) (bool, bool, error) {
	ok, stale, err := s.Hasher.Verify(ctx, hash, given)
	if strings.HasPrefix(given, "slow ") || given == "736194" {
		s.asked <- struct{}{}
		<-s.answer
	}
	return ok, stale, err
}

// TestResetWhileSomebodySignsIn: a secret, a PIN and a badge that are taken away while they are being compared let nobody in.
func TestResetWhileSomebodySignsIn(t *testing.T) {
	gate := &slow{cheap, make(chan struct{}), make(chan struct{})}
	r := newRig(t, func(r *rig) { r.hash = gate; r.cfg.Badge = access.BadgeConfig{SignIn: true} })
	r.add("p-07", rights.Operator)
	if err := second(r.book.AddBadge(t.Context(), host, "p-07", "B-0007", "a test")); err != nil {
		t.Fatal(err)
	}
	if err := second(r.book.SetPIN(t.Context(), host, "p-07", "736194", "a test")); err != nil {
		t.Fatal(err)
	}
	held := "slow " + good("p-07")
	if err := second(r.book.ChangeSecret(t.Context(), r.signIn("p-07", good("p-07")).Who, good("p-07"), held, "")); err != nil {
		t.Fatal(err)
	}
	for what, c := range map[string]struct{ in, end func() error }{
		"secret": {func() error { return second(r.try("p-07", held)) }, func() error { return second(r.book.ResetSecret(t.Context(), host, "p-07", "stolen")) }},
		"PIN": {func() error {
			return second(r.book.SignInBadge(t.Context(), rights.Badge{Code: "B-0007", PIN: "736194", Balance: "b-1"}))
		}, func() error { return second(r.book.SetPIN(t.Context(), host, "p-07", "", "seen by others")) }},
	} {
		done := make(chan error, 1)
		go func() { done <- c.in() }()
		<-gate.asked
		if err := c.end(); err != nil {
			t.Fatal(err)
		}
		gate.answer <- struct{}{}
		if err := <-done; !errors.Is(err, rights.ErrWrong) {
			t.Errorf("%s: %v", what, err)
		}
	}
	if list, _ := r.book.Sessions(host, "p-07"); len(list) != 0 {
		t.Errorf("%+v", list)
	}
}

// TestAPINThatIsChangedEndsItsSessions, as a badge that is ended does.
func TestAPINThatIsChangedEndsItsSessions(t *testing.T) {
	r := newRig(t, func(r *rig) { r.cfg.Badge = access.BadgeConfig{SignIn: true, PIN: true} })
	r.add("p-07", rights.Operator)
	if err := errors.Join(second(r.book.AddBadge(t.Context(), host, "p-07", "B-0007", "a test")), second(r.book.SetPIN(t.Context(), host, "p-07", "736194", "a test"))); err != nil {
		t.Fatal(err)
	}
	s, err := r.book.SignInBadge(t.Context(), rights.Badge{Code: "B-0007", PIN: "736194", Balance: "b-1"})
	if err != nil {
		t.Fatal(err)
	}
	for range 12 { // a scanner at the bench has no keys: a badge alone is no guess at its PIN
		var refused *rights.Refused
		if _, err := r.book.SignInBadge(t.Context(), rights.Badge{Code: "B-0007", Balance: "b-1", Address: "b-1"}); !errors.As(err, &refused) {
			t.Fatalf("%v", err)
		}
	}
	if err := second(r.book.SetPIN(t.Context(), host, "p-07", "582913", "seen by others")); err != nil {
		t.Fatal(err)
	}
	if _, err := r.book.WhoIs(s.Secret, ""); !errors.Is(err, rights.ErrNoSession) {
		t.Errorf("the session of the PIN before: %v", err)
	}
	if _, err := r.book.SignInBadge(t.Context(), rights.Badge{Code: "B-0007", PIN: "582913", Balance: "b-1"}); err != nil {
		t.Errorf("scanning the badge alone has locked its PIN: %v", err)
	}
}

// TestAResetSecretSetsNoPIN: it can only be used to choose another (21 CFR 11.200(a)(3)).
func TestAResetSecretSetsNoPIN(t *testing.T) {
	r := newRig(t)
	r.add("p-07", rights.Operator)
	first, err := r.book.ResetSecret(t.Context(), host, "p-07", "forgotten")
	if err != nil {
		t.Fatal(err)
	}
	if err := second(r.book.SetPIN(t.Context(), r.signIn("p-07", first).Who, "p-07", "736194", "")); err == nil {
		t.Error("a PIN was set")
	}
}

// TestRightsEndWithoutRecording: whoever is disabled, whose secret is reset or whose key is revoked while nothing can be recorded has
// no more rights from then on, and whoever asked is told that it is not recorded.
func TestRightsEndWithoutRecording(t *testing.T) {
	r := newRig(t)
	r.add("p-07", rights.Operator)
	r.add("p-08", rights.Operator)
	a, b := r.signIn("p-07", good("p-07")), r.signIn("p-08", good("p-08"))
	key, err := r.book.MakeKey(t.Context(), host, rights.NewKey{ID: "lims", Name: "X", Roles: []string{rights.Machine}})
	if err != nil {
		t.Fatal(err)
	}
	refuse := func(err error) { r.mu.Lock(); r.refused = err; r.mu.Unlock() }
	refuse(errors.New("the disk is full"))
	yes := true
	for what, err := range map[string]error{
		"disabled": second(r.book.ChangePerson(t.Context(), host, "p-07", rights.PersonChange{Disabled: &yes, Reason: "left"})),
		"reset":    second(r.book.ResetSecret(t.Context(), host, "p-08", "stolen")),
		"revoked":  r.book.RevokeKey(t.Context(), host, "lims", "stolen"),
	} {
		if err == nil {
			t.Errorf("%s: it is said to be recorded", what)
		}
	}
	for what, err := range map[string]error{
		"disabled": second(r.book.WhoIs(a.Secret, "")), "reset": second(r.book.WhoIs(b.Secret, "")), "revoked": second(r.book.WhoseKey(key.Key, "", "")),
	} {
		if !errors.Is(err, rights.ErrNoSession) {
			t.Errorf("%s, and goes on: %v", what, err)
		}
	}
	refuse(nil)
	if err := r.book.RevokeKey(t.Context(), host, "lims", "stolen"); err != nil {
		t.Error(err)
	}
}

// TestASnapshotBehindWhichIsMore: what a file says of entries behind the one that it stands for counts for nothing: after a
// restore those entries are others.
func TestASnapshotBehindWhichIsMore(t *testing.T) {
	r := newRig(t)
	r.add("p-07", rights.Operator)
	r.close()
	r.open()
	r.close()
	file := filepath.Join(r.dir, snapshot)
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var doc, state map[string]any
	if err := errors.Join(json.Unmarshal(b, &doc), mapOf(doc["state"], &state)); err != nil {
		t.Fatal(err)
	}
	first, err := r.j.Read(t.Context(), 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	state["seq"] = 1
	text, _ := json.Marshal(state)
	text = []byte(strings.ReplaceAll(string(text), `"operator"`, `"it"`))
	doc["entry"], doc["sum"], doc["state"] = sumOf(first[0].JSON), sumOf(text), json.RawMessage(text)
	b, _ = json.Marshal(doc)
	if err := os.WriteFile(file, b, 0o600); err != nil {
		t.Fatal(err)
	}
	r.open()
	if v, err := r.book.Person(host, "p-07"); err != nil || v.Roles[0] != rights.Operator {
		t.Errorf("%+v %v", v, err)
	}
}

func sumOf(b []byte) string { return fmt.Sprintf("sha256:%x", sha256.Sum256(b)) }

func mapOf(v any, to *map[string]any) error {
	b, err := json.Marshal(v)
	return errors.Join(err, json.Unmarshal(b, to))
}

// TestALoginFromElsewhereIsHeldToOneForm also where somebody has an account already.
func TestALoginFromElsewhereIsHeldToOneForm(t *testing.T) {
	l := newLab()
	r := newRig(t, withLab(l, false))
	l.set("anna", good("anna"), outside.Found{Immutable: "u-1", Name: "Anna", Groups: []string{weighers}})
	if _, err := r.try("anna", good("anna")); err != nil {
		t.Fatal(err)
	}
	l.set("anna\n\x1b[2J", good("anna"), outside.Found{Immutable: "u-1", Name: "Anna", Groups: []string{weighers}})
	if _, err := r.try("anna\n\x1b[2J", good("anna")); err == nil {
		t.Error("a login that no account here may have")
	}
	for _, c := range entries[record.PersonChanged](r, record.KindPersonChanged) {
		if strings.ContainsRune(c.After.Login, '\n') {
			t.Errorf("%q", c.After.Login)
		}
	}
}

// TestNoIDLooksLikeAnother by letters of an alphabet whose letters look the same; other ways of writing are as good as Latin.
func TestNoIDLooksLikeAnother(t *testing.T) {
	for _, id := range []string{"b\u043ess", "\u0440-07\u0061", "\u03b2eta"} { // Cyrillic o, Cyrillic r, Greek beta
		if access.CheckID(id) == nil {
			t.Errorf("%q (%+q)", id, id)
		}
	}
	for _, id := range []string{"boss", "\u0441\u043e\u043d\u044f", "\u4eba-07", "\u03ac\u03bd\u03bd\u03b1", "m\u00fcller"} {
		if err := access.CheckID(id); err != nil {
			t.Errorf("%q: %v", id, err)
		}
	}
	r := newRig(t)
	n := 0
	for name, good := range map[string]bool{"B\u043e Berg": false, "Bo Berg": true, "Bo \u0411\u0435\u0440\u0433": true, "\u03a9-lab 7": true} {
		n++
		_, err := r.book.AddPerson(t.Context(), host, rights.NewPerson{ID: fmt.Sprintf("p-%d", n), Name: name, Roles: []string{rights.Operator}})
		if (err == nil) != good {
			t.Errorf("%q: %v", name, err)
		}
	}
}
