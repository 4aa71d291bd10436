package rights

import (
	"context"
	"errors"
	"os"
	"regexp"
	"slices"
	"testing"

	"weighpost/gateway/record"
)

// TestEveryRightIsListed reads the constants from the source, so that a new one cannot be forgotten.
func TestEveryRightIsListed(t *testing.T) {
	src, err := os.ReadFile("rights.go")
	if err != nil {
		t.Fatal(err)
	}
	found := regexp.MustCompile(`(?m)^\t[A-Z]\w+\s+Right = "([a-z-]+)"`).FindAllSubmatch(src, -1)
	if len(found) != len(All()) || len(found) < 20 {
		t.Errorf("%d constants, %d in All", len(found), len(All()))
	}
	for _, m := range found {
		if !slices.Contains(All(), Right(m[1])) {
			t.Errorf("%s is not in All", m[1])
		}
	}
}

// TestReviewAndAdministrationAreApart: FDA, Data Integrity and Compliance With Drug CGMP (2018), question 4; auditors read only.
func TestReviewAndAdministrationAreApart(t *testing.T) {
	changing := []Right{Weigh, SendContext, Command, Samples, ReviewTrail, People, APIKeys, ReviewAccounts, Balances, Sinks, Deliveries, Settings, Adopt, Backup, Seal, JournalKey, CorrectClock}
	for name, set := range Defaults() {
		if set.Has(ReviewTrail) && (set.Has(People) || set.Has(Settings)) {
			t.Errorf("%s reviews and administers", name)
		}
		for _, r := range changing {
			if name == Auditor && set.Has(r) {
				t.Errorf("an auditor may %s", r)
			}
		}
	}
}

func TestNobodyMayNothing(t *testing.T) {
	var denied *Denied
	for _, r := range All() {
		if err := From(context.Background()).May(r); !errors.As(err, &denied) || denied.Right != r {
			t.Errorf("%s: %v", r, err)
		}
	}
	ctx := With(context.Background(), Host(record.Actor{ID: "root", By: record.ActorHost}))
	if err := From(ctx).May(JournalKey); err != nil {
		t.Error(err)
	}
}

// TestLimitedToSomeBalances: a key for one balance does nothing at another, and a limit is no right.
func TestLimitedToSomeBalances(t *testing.T) {
	w := Who{Actor: record.Actor{ID: "lims"}, Known: true, Rights: Of(Weigh), Balances: []string{"b-1"}}
	for _, c := range []struct {
		right   Right
		balance string
		allowed bool
	}{{Weigh, "b-1", true}, {Weigh, "b-2", false}, {Command, "b-1", false}, {Weigh, "", false}} {
		if err := w.MayAt(c.right, c.balance); (err == nil) != c.allowed {
			t.Errorf("%s at %q: %v", c.right, c.balance, err)
		}
	}
	w.Balances = nil
	if err := w.MayAt(Weigh, "b-2"); err != nil {
		t.Error(err)
	}
}
