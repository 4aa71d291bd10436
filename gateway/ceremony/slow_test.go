package ceremony

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/access"
	"weighpost/gateway/access/ldap"
	"weighpost/gateway/access/ldap/slapd"
	"weighpost/gateway/access/outside"
	"weighpost/gateway/record"
	"weighpost/gateway/review"
	"weighpost/gateway/rights"
	"weighpost/parsers/strict"
)

// directoryOf has accounts of a real directory: whoever is in its group weighing reviews.
func directoryOf(t *testing.T, d *slapd.Directory) func(*access.Options) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(file, []byte(slapd.ServiceSecret), 0o600); err != nil {
		t.Fatal(err)
	}
	secret, err := strict.SecretFrom("file:" + file)
	if err != nil {
		t.Fatal(err)
	}
	cfg := &access.Config{Directory: ldap.Config{URL: d.URL(), BindDN: slapd.Service, Password: secret, Users: ldap.Users{Base: slapd.People}, Timeout: strict.Duration(20 * time.Second),
		Groups: ldap.Groups{Base: slapd.Groups, Roles: []ldap.GroupRoles{{Group: "cn=weighing," + slapd.Groups, Roles: []string{rights.Reviewer}}}}}}
	asks := ldap.New(ldap.Options{Config: func() ldap.Config { return cfg.Directory }})
	return func(o *access.Options) {
		o.Config = func() *access.Config { return cfg }
		o.Directory = func() outside.Directory { return asks }
	}
}

// TestADirectoryThatDoesNotAnswerHoldsUpNobodyElse: while Ada waits for hers, which stands still, Bela signs another run, and somebody returns the
// run that Ada wants to sign. Once her directory answers, she has signed nothing: the run is not as it was shown to her. After that she signs.
func TestADirectoryThatDoesNotAnswerHoldsUpNobodyElse(t *testing.T) {
	d := slapd.Start(t, slapd.Options{})
	d.Add(t, slapd.Lab)
	l := newLab(t, directoryOf(t, d))
	l.policy.Approvals, l.cfg.SignSubmit = 1, false
	anna, bela := l.person("anna", rights.Operator), l.person("bela", rights.Reviewer)
	s, err := l.book.SignIn(t.Context(), rights.SignIn{Login: "ada", Secret: slapd.Secret, Where: "page"})
	if err != nil {
		t.Fatal(err)
	}
	ada := s.Who
	l.perform(anna.Actor)
	second := "r-aaaaa-000002"
	l.performs(record.RunRef{ID: second, Procedure: l.run.Procedure}, anna.Actor)
	submits := func(run string) error {
		return l.Act(t.Context(), run, review.Act{Act: record.ActSubmit, Seen: l.lastOf(run)}, anna.Actor, review.Able{Run: true})
	}
	approves := func(who rights.Who, run, secret string) error {
		_, hash := l.shownOf(run, who, record.MeansReviewed)
		in := rights.Signing{Login: who.Actor.ID, Secret: secret}
		return l.Act(t.Context(), run, review.Act{Act: record.ActApprove, Seen: l.lastOf(run), Shows: l.c.Signs(who, in, hash, l.book.Sign)}, who.Actor, review.Able{Review: true})
	}
	for _, run := range []string{r1, second} {
		if err := submits(run); err != nil {
			t.Fatal(err)
		}
	}
	d.Freeze(t)
	waits := make(chan error, 1)
	asked := make(chan struct{})
	_, hash := l.shownOf(r1, ada, record.MeansReviewed)
	shows := l.c.Signs(ada, rights.Signing{Login: "ada", Secret: slapd.Secret}, hash, func(ctx context.Context, who rights.Who, in rights.Signing) (rights.Signed, error) {
		close(asked)
		return l.book.Sign(ctx, who, in)
	})
	last := l.lastOf(r1)
	go func() {
		waits <- l.Act(t.Context(), r1, review.Act{Act: record.ActApprove, Seen: last, Shows: shows}, ada.Actor, review.Able{Review: true})
	}()
	<-asked
	if err := approves(bela, second, secretOf("bela")); err != nil {
		t.Errorf("another signs another run meanwhile: %v", err)
	}
	if err := l.Act(t.Context(), r1, review.Act{Act: record.ActReturn, Seen: l.lastOf(r1), Reason: "say which scoop"}, bela.Actor, review.Able{Review: true}); err != nil {
		t.Errorf("another returns the same run meanwhile: %v", err)
	}
	select {
	case err := <-waits:
		t.Fatalf("the directory stands still, and yet: %v", err)
	default:
	}
	d.Thaw(t)
	if err := <-waits; err == nil || !strings.Contains(err.Error(), "returned") || l.State(r1) != record.RunReturned || l.State(second) != record.RunApproved {
		t.Errorf("%v; the runs are %s and %s", err, l.State(r1), l.State(second))
	}
	if err := submits(r1); err != nil {
		t.Fatal(err)
	}
	if err := approves(ada, r1, slapd.Secret); err != nil || l.State(r1) != record.RunApproved {
		t.Errorf("%v, %s", err, l.State(r1))
	}
}
