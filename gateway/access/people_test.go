package access_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/access"
	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// TestSetUp: the token of the first start makes one administrator, once, and is then nowhere.
func TestSetUp(t *testing.T) {
	r := newRig(t, func(r *rig) { r.cfg.Visitors = "nothing" })
	path := filepath.Join(r.dir, "set-up.token")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if info, _ := os.Stat(path); runtime.GOOS != "windows" && info.Mode().Perm() != 0o600 {
		t.Errorf("%s", info.Mode())
	}
	if got := r.says(health.NoAdministrator, "people"); !strings.Contains(got, path) || !r.book.Ways().SetUp {
		t.Errorf("%q", got)
	}
	token := strings.TrimSpace(string(b))
	me := rights.NewPerson{ID: "boss", Name: "Bo Berg", Secret: good("boss")}
	if _, err := r.book.SetUp(t.Context(), "wrong", me, "192.0.2.7", "page"); !errors.Is(err, rights.ErrWrong) {
		t.Errorf("a wrong token: %v", err)
	}
	r.pass(time.Minute)
	bad := me
	bad.Secret = "short"
	if _, err := r.book.SetUp(t.Context(), token, bad, "192.0.2.7", "page"); err == nil {
		t.Error("a secret that is too short")
	}
	r.pass(time.Minute)
	s, err := r.book.SetUp(t.Context(), token, me, "192.0.2.7", "page")
	if err != nil || !s.Who.Rights.Has(rights.People) || s.MustChange {
		t.Fatalf("%+v %v", s, err)
	}
	if _, err := os.Stat(path); !os.IsNotExist(err) || r.book.Ways().SetUp {
		t.Error("the token is still there")
	}
	if r.says(health.NoAdministrator, "people") != "" {
		t.Error("nobody is said to look after accounts")
	}
	r.pass(time.Minute)
	if _, err := r.book.SetUp(t.Context(), token, rights.NewPerson{ID: "x", Name: "X", Secret: good("x")}, "192.0.2.7", "page"); !errors.Is(err, rights.ErrWrong) {
		t.Errorf("used again: %v", err)
	}
	r.close()
	r.open()
	if _, err := os.Stat(path); !os.IsNotExist(err) {
		t.Error("a start made another token")
	}
	r.nowhere(token, good("boss"))
}

// TestTheLastAdministrator: cannot be disabled nor lose that, but by the owner of the journal's files with a reason, who also gives
// them a new secret.
func TestTheLastAdministrator(t *testing.T) {
	r := newRig(t)
	r.add("boss", rights.IT)
	s := r.signIn("boss", good("boss"))
	yes, none, soon := true, []string{rights.Operator}, r.clock().Add(time.Hour)
	for what, c := range map[string]rights.PersonChange{"disabled": {Disabled: &yes}, "another role": {Roles: &none}, "an end": {Expires: &soon}} {
		c.Reason = "a test"
		if _, err := r.book.ChangePerson(t.Context(), s.Who, "boss", c); err == nil || !strings.Contains(err.Error(), "the last one who looks after accounts") {
			t.Errorf("%s: %v", what, err)
		}
	}
	if _, err := r.book.ResetSecret(t.Context(), s.Who, "boss", "me"); err == nil {
		t.Error("somebody reset their own secret")
	}
	first, err := r.book.ResetSecret(t.Context(), host, "boss", "forgotten; seen in person")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.book.WhoIs(s.Secret, ""); !errors.Is(err, rights.ErrNoSession) {
		t.Error("a session went on after the secret was reset")
	}
	if s = r.signIn("boss", first); !s.MustChange || s.Who.May(rights.People) == nil {
		t.Errorf("%v", s.Who.Rights.List())
	}
	if _, err := r.book.ChangePerson(t.Context(), host, "boss", rights.PersonChange{Disabled: &yes}); err == nil {
		t.Error("without a reason")
	}
	if _, err := r.book.ChangePerson(t.Context(), host, "boss", rights.PersonChange{Disabled: &yes, Reason: "left"}); err != nil {
		t.Error(err)
	}
	if got := r.says(health.NoAdministrator, "people"); got == "" || strings.Contains(got, "token") {
		t.Errorf("%q", got)
	}
}

// TestBadges: a badge identifies and lets weigh at its bench; a PIN is judged and throttled apart; another badge takes over.
func TestBadges(t *testing.T) {
	r := newRig(t, func(r *rig) { r.cfg.Lock.PINAfter = 3 })
	r.add("p-07", rights.BalanceKeeper, rights.IT)
	r.add("p-08", rights.Operator)
	badge := func(code, pin string) (rights.Session, error) {
		return r.book.SignInBadge(t.Context(), rights.Badge{Code: code, PIN: pin, Balance: "b-1", Address: "b-1", Where: "scanner"})
	}
	for id, code := range map[string]string{"p-07": "B-0007", "p-08": "B-0008"} {
		if _, err := r.book.AddBadge(t.Context(), host, id, code, ""); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := r.book.AddBadge(t.Context(), host, "p-08", "B-0007", ""); err == nil {
		t.Error("a badge of two people")
	}
	if _, err := badge("B-0007", ""); err == nil {
		t.Error("by a badge, without a policy")
	}
	r.configure(func(c *access.Config) { c.Badge.SignIn = true })
	s, err := badge("B-0007", "")
	if err != nil || s.Who.Actor.By != record.ActorBadge || s.Who.May(rights.People) == nil || s.Who.May(rights.Command) == nil {
		t.Fatalf("%v %v", s.Who.Rights.List(), err)
	}
	if s.Who.MayAt(rights.Weigh, "b-1") != nil || s.Who.MayAt(rights.Weigh, "b-2") == nil {
		t.Error("a badge is good at its bench, and nowhere else")
	}
	if s, err = badge("B-0008", ""); err != nil || s.Person.ID != "p-08" {
		t.Fatal(err)
	}
	out := entries[record.SignedOut](r, record.KindSignedOut)
	if last := out[len(out)-1]; last.Cause != "another-person" || last.By.ID != "p-07" || last.Subject() != "b-1" {
		t.Errorf("%+v", last)
	}
	for _, balance := range []string{"", "no such", "b-1/../x"} {
		if _, err := r.book.SignInBadge(t.Context(), rights.Badge{Code: "B-0007", Balance: balance}); err == nil {
			t.Errorf("signed in at %q", balance)
		}
	}
	r.configure(func(c *access.Config) { c.Badge.PIN = true })
	if _, err := r.book.SetPIN(t.Context(), host, "p-07", "730195", "asked for it"); err != nil {
		t.Fatal(err)
	}
	if s, err = badge("B-0007", "730195"); err != nil || s.Who.Actor.By != record.ActorBadgePIN || s.Who.May(rights.Command) != nil || s.Who.May(rights.People) == nil {
		t.Errorf("%v %v", s.Who.Rights.List(), err)
	}
	for range 3 {
		r.pass(time.Hour)
		if _, err := badge("B-0007", "000000"); !errors.Is(err, rights.ErrWrong) {
			t.Error(err)
		}
	}
	r.pass(24 * time.Hour)
	if _, err := badge("B-0007", "730195"); !errors.Is(err, rights.ErrWrong) {
		t.Errorf("a PIN that is locked: %v", err)
	}
	if got := r.says(health.AccountLocked, "p-07"); !strings.HasPrefix(got, "The PIN of p-07") {
		t.Errorf("%q", got)
	}
	r.signIn("p-07", good("p-07")) // the secret is not
	if _, err := r.book.EndBadge(t.Context(), host, "p-08", "B-0008", "lost"); err != nil {
		t.Fatal(err)
	}
	if _, err := badge("B-0008", "730195"); !errors.Is(err, rights.ErrWrong) {
		t.Errorf("a badge that was ended: %v", err)
	}
	r.nowhere("730195")
}

// TestKeys: shown once, limited in what, where and how long, gone at once.
func TestKeys(t *testing.T) {
	r := newRig(t, func(r *rig) {
		r.cfg.Roles = map[string][]string{"keys-only": {"api-keys", "see", "own-account"}, "judge": {"review-trail", "see"}}
	})
	r.add("p-07", "keys-only")
	s := r.signIn("p-07", good("p-07"))
	made, err := r.book.MakeKey(t.Context(), s.Who, rights.NewKey{ID: "lims", Name: "The lab system", Roles: []string{rights.Machine}, Balances: []string{"b-1"}})
	if err != nil {
		t.Fatal(err)
	}
	who, err := r.book.WhoseKey(made.Key, "192.0.2.7", "API")
	if err != nil || who.Actor.ID != "lims" || who.Actor.By != record.ActorAPIKey || who.Person != "" || who.MayAt(rights.SendContext, "b-1") != nil || who.MayAt(rights.SendContext, "b-2") == nil {
		t.Errorf("%+v %v", who, err)
	}
	for what, k := range map[string]rights.NewKey{
		"the same id":            {ID: "lims", Name: "X", Roles: []string{rights.Machine}},
		"more than its maker":    {ID: "k-2", Name: "X", Roles: []string{rights.IT}},
		"no role":                {ID: "k-3", Name: "X"},
		"an unknown role":        {ID: "k-4", Name: "X", Roles: []string{"pilot"}},
		"an id with a _":         {ID: "k_5", Name: "X", Roles: []string{rights.Machine}},
		"an end that was":        {ID: "k-6", Name: "X", Roles: []string{rights.Machine}, Expires: at(r.clock().Add(-time.Hour))},
		"an end that is too far": {ID: "k-7", Name: "X", Roles: []string{rights.Machine}, Expires: at(r.clock().AddDate(2, 0, 0))},
	} {
		if _, err := r.book.MakeKey(t.Context(), s.Who, k); err == nil {
			t.Errorf("%s", what)
		}
	}
	judge, err := r.book.MakeKey(t.Context(), host, rights.NewKey{ID: "judge", Name: "X", Roles: []string{"judge"}})
	if err != nil {
		t.Fatal(err)
	}
	if who, err := r.book.WhoseKey(judge.Key, "", ""); err != nil || who.May(rights.ReviewTrail) == nil || who.May(rights.See) != nil {
		t.Error("a program reviews")
	}
	last := "a"
	if strings.HasSuffix(made.Key, "a") {
		last = "b"
	}
	for what, key := range map[string]string{"mistyped": made.Key[:len(made.Key)-1] + last, "cut": made.Key[:20], "none": "", "other": "wp_x_y"} {
		if _, err := r.book.WhoseKey(key, "192.0.2.7", ""); err == nil {
			t.Errorf("%s", what)
		}
	}
	r.close()
	r.open()
	if _, err := r.book.WhoseKey(made.Key, "", ""); err != nil {
		t.Errorf("after a restart: %v", err)
	}
	if err := r.book.RevokeKey(t.Context(), host, "lims", "not used any more"); err != nil {
		t.Fatal(err)
	}
	if _, err := r.book.WhoseKey(made.Key, "", ""); !errors.Is(err, rights.ErrNoSession) {
		t.Errorf("revoked: %v", err)
	}
	r.pass(366 * 24 * time.Hour)
	if _, err := r.book.WhoseKey(judge.Key, "", ""); !errors.Is(err, rights.ErrNoSession) {
		t.Errorf("after its end: %v", err)
	}
	r.nowhere(made.Key, judge.Key)
}

func at(t time.Time) *time.Time { return &t }

// TestEveryMethodHoldsItsRight: whoever lacks the one right is denied, and nothing is recorded of it here; with it alone it is done.
func TestEveryMethodHoldsItsRight(t *testing.T) {
	r := newRig(t)
	r.add("p-07", rights.Operator)
	ctx := context.Background()
	acts := map[string]struct {
		right rights.Right
		do    func(who rights.Who) error
	}{
		"AddPerson": {rights.People, func(w rights.Who) error {
			_, err := r.book.AddPerson(ctx, w, rights.NewPerson{ID: "new", Name: "N", Roles: []string{rights.Operator}})
			return err
		}},
		"ChangePerson": {rights.People, func(w rights.Who) error {
			name := "Else"
			_, err := r.book.ChangePerson(ctx, w, "p-07", rights.PersonChange{Name: &name, Reason: "x"})
			return err
		}},
		"ResetSecret":       {rights.People, func(w rights.Who) error { _, err := r.book.ResetSecret(ctx, w, "p-07", "x"); return err }},
		"SetPIN":            {rights.People, func(w rights.Who) error { _, err := r.book.SetPIN(ctx, w, "p-07", "730195", "x"); return err }},
		"AddBadge":          {rights.People, func(w rights.Who) error { _, err := r.book.AddBadge(ctx, w, "p-07", "B-1", "x"); return err }},
		"EndBadge":          {rights.People, func(w rights.Who) error { _, err := r.book.EndBadge(ctx, w, "p-07", "B-1", "x"); return err }},
		"SignOutEverywhere": {rights.People, func(w rights.Who) error { _, err := r.book.SignOutEverywhere(ctx, w, "p-07"); return err }},
		"SignOutOthers": {rights.OwnAccount, func(w rights.Who) error {
			w.Person, w.Session = "p-07", "one of theirs"
			_, err := r.book.SignOutOthers(ctx, w)
			return err
		}},
		"People":         {rights.ReadPeople, func(w rights.Who) error { _, _, err := r.book.People(w); return err }},
		"Person":         {rights.ReadPeople, func(w rights.Who) error { _, err := r.book.Person(w, "p-07"); return err }},
		"Sessions":       {rights.ReadPeople, func(w rights.Who) error { _, err := r.book.Sessions(w, ""); return err }},
		"Roles":          {rights.ReadPeople, func(w rights.Who) error { _, err := r.book.Roles(w); return err }},
		"HeldOn":         {rights.ReadPeople, func(w rights.Who) error { _, err := r.book.HeldOn(ctx, w, r.clock()); return err }},
		"AccountReviews": {rights.ReadPeople, func(w rights.Who) error { _, err := r.book.AccountReviews(ctx, w); return err }},
		"Keys":           {rights.ReadPeople, func(w rights.Who) error { _, err := r.book.Keys(w); return err }},
		"MakeKey": {rights.APIKeys, func(w rights.Who) error {
			_, err := r.book.MakeKey(ctx, w, rights.NewKey{ID: "k", Name: "K", Roles: []string{rights.Machine}})
			return err
		}},
		"RevokeKey": {rights.APIKeys, func(w rights.Who) error { return r.book.RevokeKey(ctx, w, "k", "x") }},
		"ReviewAccounts": {rights.ReviewAccounts, func(w rights.Who) error {
			_, err := r.book.ReviewAccounts(ctx, w, rights.AccountReview{Findings: "good"})
			return err
		}},
	}
	order := []string{"AddPerson", "ChangePerson", "ResetSecret", "SetPIN", "AddBadge", "EndBadge", "SignOutEverywhere", "SignOutOthers", "People", "Person", "Sessions", "Roles",
		"HeldOn", "AccountReviews", "Keys", "MakeKey", "RevokeKey", "ReviewAccounts"}
	for _, name := range order {
		a := acts[name]
		all := rights.Of(rights.All()...)
		delete(all, a.right)
		if a.right == rights.ReadPeople { // one who looks after accounts or keys sees them too
			delete(all, rights.People)
			delete(all, rights.APIKeys)
			delete(all, rights.ReadSettings)
		}
		head := r.j.Head()
		var denied *rights.Denied
		if err := a.do(rights.Who{Actor: record.Actor{ID: "x"}, Rights: all, Known: true}); !errors.As(err, &denied) {
			t.Errorf("%s without the right %s: %v", name, a.right, err)
		}
		if r.j.Head() != head {
			t.Errorf("%s: what was denied was recorded as done", name)
		}
		if err := a.do(rights.Who{Actor: record.Actor{ID: "x"}, Rights: rights.Of(a.right), Known: true}); err != nil {
			t.Errorf("%s with the right %s alone: %v", name, a.right, err)
		}
	}
	if len(order) != len(acts) {
		t.Error("an act is left out")
	}
}

// TestWarnings: what stands as a condition, since when, and until it is mended.
func TestWarnings(t *testing.T) {
	r := newRig(t, func(r *rig) {
		r.cfg.Roles = map[string][]string{"weigher": {"see", "weigh"}}
		r.cfg.Review.Every = day(30)
	})
	if _, err := r.book.AddPerson(t.Context(), host, rights.NewPerson{ID: "both", Name: "B", Roles: []string{rights.IT, rights.Reviewer}}); err == nil {
		t.Error("both hands without a reason")
	}
	r.add("both", rights.IT, rights.Reviewer)
	if got := r.says(health.RightsJoined, "both"); !strings.Contains(got, "may review the trail and may change people") {
		t.Errorf("%q", got)
	}
	r.add("p-07", "weigher", rights.Auditor)
	r.configure(func(c *access.Config) { c.Roles = nil })
	r.book.Reload()
	if got := r.says(health.RoleUnknown, "p-07"); !strings.Contains(got, "weigher") {
		t.Errorf("%q", got)
	}
	if p, _ := r.book.Person(host, "p-07"); !slices.Equal(p.Unknown, []string{"weigher"}) || slices.Contains(p.Rights, rights.Weigh) {
		t.Errorf("%+v", p)
	}
	if s := r.signIn("p-07", good("p-07")); s.Who.Rights.Has(rights.Weigh) || !s.Who.Rights.Has(rights.ReadJournal) {
		t.Error("a role that is gone gives something")
	}
	if r.says(health.AccountReviewOverdue, "people") != "" {
		t.Error("overdue at once")
	}
	r.pass(31 * 24 * time.Hour)
	r.book.Reload()
	if got := r.says(health.AccountReviewOverdue, "people"); !strings.Contains(got, "by 2026-12-30") {
		t.Errorf("%q", got)
	}
	e, err := r.book.ReviewAccounts(t.Context(), host, rights.AccountReview{At: r.j.Head(), Findings: "p-07 has a role that is gone", Changes: []string{"p-07"}})
	if err != nil || e.People != 2 || e.Due == nil {
		t.Fatalf("%+v %v", e, err)
	}
	if r.says(health.AccountReviewOverdue, "people") != "" {
		t.Error("overdue after the review")
	}
	if list, err := r.book.AccountReviews(t.Context(), host); err != nil || len(list) != 1 || list[0].Findings != e.Findings {
		t.Errorf("%v %v", list, err)
	}
	name := "Someone"
	if _, err := r.book.ChangePerson(t.Context(), host, "p-07", rights.PersonChange{Name: &name, Reason: "x"}); err != nil {
		t.Fatal(err)
	}
	var conflict *rights.Conflict
	if _, err := r.book.ReviewAccounts(t.Context(), host, rights.AccountReview{At: e.Seq, Findings: "all good"}); !errors.As(err, &conflict) {
		t.Errorf("a review of what is no longer so: %v", err)
	}
}
