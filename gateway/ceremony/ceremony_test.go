package ceremony

import (
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/access"
	"weighpost/gateway/access/secret"
	"weighpost/gateway/journal/memory"
	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
	"weighpost/gateway/review"
	"weighpost/gateway/rights"
	"weighpost/gateway/signature"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// lab is the room of reviews and the book of people over one journal, with a run that anna performed.
type lab struct {
	*review.Room
	t       *testing.T
	journal *memory.Journal
	book    *access.Book
	c       Ceremony
	policy  review.Policy
	cfg     review.Config
	clock   atomic.Int64
	refused []string
	run     record.RunRef
}

const r1 = "r-aaaaa-000001"

func newLab(t *testing.T, more ...func(*access.Options)) *lab {
	t.Helper()
	l := &lab{t: t, journal: memory.New("seed-bank"), policy: review.Policy{Approvals: 2}, cfg: review.Default(),
		run: record.RunRef{ID: r1, Procedure: record.ProcedureRef{Name: "seed-moisture", Version: 1, Hash: "sha256:00"}}}
	l.cfg.SignSubmit = true
	dir := t.TempDir()
	var err error
	o := access.Options{Dir: dir, Site: "seed-bank", Journal: l.journal, Config: func() *access.Config { return &access.Config{} },
		Stamp: l.stamp, Hasher: secret.NewHasher(secret.Work{Passes: 1, MemoryK: 64, Lanes: 1}, 4, 256)}
	for _, f := range more {
		f(&o)
	}
	if l.book, err = access.Open(t.Context(), o); err != nil {
		t.Fatal(err)
	}
	l.Room = review.New(review.Options{Dir: dir, Journal: l.journal, Stamp: l.stamp, Config: func() review.Config { return l.cfg },
		Policy: func(record.ProcedureRef) (review.Policy, error) { return l.policy, nil },
		Again: func(*record.RunBegun, []*record.RunStep, []*record.RunCorrected) (procedure.Found, []record.Reworked, error) {
			return procedure.Found{Verdict: record.NotJudged, Results: []record.RunResult{{Name: "net", Verdict: record.NotJudged}}}, nil, nil
		},
		Doubts: func(string, uint64) []string { return nil }, Head: func(context.Context) (uint64, string, error) { return l.journal.Head(), "cm9vdA==", nil },
		Request: func(record.RequestRef) (record.LabRequest, bool) { return record.LabRequest{}, false },
		Refused: func(what, why string, by record.Actor) { l.refused = append(l.refused, by.ID+": "+what+": "+why) }})
	l.c = Ceremony{Journal: l.journal, Stamp: l.stamp, Place: func(time.Time) string { return "Europe/Stockholm" }}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{}, 2)
	go func() { l.Run(ctx); done <- struct{}{} }()
	go func() { l.book.Run(ctx); done <- struct{}{} }()
	t.Cleanup(func() {
		cancel()
		<-done
		<-done
		if err := l.book.Close(context.Background()); err != nil {
			t.Error(err)
		}
	})
	return l
}

func (l *lab) stamp() record.Stamp {
	at := time.Date(2026, 11, 30, 9, 0, 0, 0, time.UTC).Add(time.Duration(l.clock.Add(1)) * time.Second)
	return record.Stamp{UTC: record.UTC(at), Zone: "+01:00", Clock: record.ClockChecked}
}

func secretOf(id string) string { return "quite long words of " + id + "!" }

// person makes an account and signs in.
func (l *lab) person(id string, roles ...string) rights.Who {
	l.t.Helper()
	host := rights.Host(record.Actor{ID: "root", By: record.ActorHost, Where: "command line"})
	if _, err := l.book.AddPerson(l.t.Context(), host, rights.NewPerson{ID: id, Name: "Person " + id, Roles: roles, Reason: "a test", Secret: "a first secret for " + id}); err != nil {
		l.t.Fatal(err)
	}
	s, err := l.book.SignIn(l.t.Context(), rights.SignIn{Login: id, Secret: "a first secret for " + id, Where: "page"})
	if err == nil {
		s, err = l.book.ChangeSecret(l.t.Context(), s.Who, "a first secret for "+id, secretOf(id), "")
	}
	if err != nil {
		l.t.Fatal(err)
	}
	return s.Who
}

// perform records the run, of one weighing.
func (l *lab) perform(by record.Actor) { l.performs(l.run, by) }

func (l *lab) performs(run record.RunRef, by record.Actor) {
	l.t.Helper()
	b := record.Balance{ID: "b-12", Identity: "confirmed"}
	items := []record.RunItem{{Sample: "lot-7"}}
	last := l.append(&record.RunBegun{Run: run, Balance: &b, Items: items, By: by, Stamp: l.stamp()},
		&record.Weighing{Balance: b, Value: record.Value{Digits: "4.5022", Unit: "g"}, Context: record.Context{Run: &record.Learnt{ID: run.ID, By: record.FromRun}}, Stamp: l.stamp()})
	l.append(&record.RunStep{Run: run, Step: "net", Became: record.StepTaken, Weighing: &record.EntryRef{Seq: last.Seq, ID: last.ID}, By: by, Stamp: l.stamp()},
		&record.RunEnded{Run: run, Balance: &b, State: record.RunComplete, Verdict: "passed", Items: items, People: []string{by.ID},
			Results: []record.RunResult{{Name: "net", Digits: "4.5022", Unit: "g", Verdict: "passed"}}, By: by, Stamp: l.stamp()})
}

func (l *lab) append(bodies ...record.Body) record.Entry {
	l.t.Helper()
	list, err := l.journal.Append(l.t.Context(), bodies...)
	if err == nil {
		err = l.Reached(l.t.Context(), l.journal.Head())
	}
	if err != nil {
		l.t.Fatal(err)
	}
	return list[len(list)-1]
}

// shown is what somebody is shown, and its hash.
func (l *lab) shown(who rights.Who, meaning string) (text, hash string) {
	l.t.Helper()
	return l.shownOf(r1, who, meaning)
}

func (l *lab) shownOf(run string, who rights.Who, meaning string) (text, hash string) {
	l.t.Helper()
	v, err := l.Of(l.t.Context(), run)
	if err != nil {
		l.t.Fatal(err)
	}
	if text, _, err = Statement(v.Entries, meaning, who.Actor); err != nil {
		l.t.Fatal(err)
	}
	return text, signature.Hash(text)
}

func (l *lab) last() uint64 { return l.lastOf(r1) }

func (l *lab) lastOf(run string) uint64 {
	v, err := l.Of(l.t.Context(), run)
	if err != nil {
		l.t.Fatal(err)
	}
	return v.Last
}

// act does an act, signed with what is given.
func (l *lab) act(who rights.Who, act string, in rights.Signing, hash string) error {
	l.t.Helper()
	able := review.Able{Run: who.May(rights.Run) == nil, Review: who.May(rights.ReviewRuns) == nil, Approve: who.May(rights.ApproveRuns) == nil}
	return l.Act(l.t.Context(), r1, review.Act{Act: act, Seen: l.last(), Reason: "as the rules say", Shows: l.c.Signs(who, in, hash, l.book.Sign)}, who.Actor, able)
}

// TestFromSubmitToApproved: three people sign. Each signature and its act are one append, the act names it, and an independent reading of the
// entries finds that all hold.
func TestFromSubmitToApproved(t *testing.T) {
	l := newLab(t)
	anna, bela, cora := l.person("anna", rights.Operator), l.person("bela", rights.Reviewer), l.person("cora", rights.Reviewer)
	l.perform(anna.Actor)
	for _, one := range []struct {
		who          rights.Who
		act, meaning string
	}{{anna, record.ActSubmit, record.MeansPerformed}, {bela, record.ActReview, record.MeansReviewed}, {cora, record.ActApprove, record.MeansApproved}} {
		text, hash := l.shown(one.who, one.meaning)
		before := l.journal.Head()
		if err := l.act(one.who, one.act, rights.Signing{Login: one.who.Person, Secret: secretOf(one.who.Person)}, hash); err != nil {
			t.Fatalf("%s: %v", one.act, err)
		}
		v, err := l.Of(t.Context(), r1)
		if err != nil {
			t.Fatal(err)
		}
		s, r := v.Signed[len(v.Signed)-1], v.Acts[len(v.Acts)-1]
		if s.Seq != before+1 || r.Seq != before+2 || l.journal.Head() != before+2 || r.Signature == nil || r.Signature.ID != s.ID {
			t.Errorf("%s: the signature is entry %d, the act %d names %+v", one.act, s.Seq, r.Seq, r.Signature)
		}
		if s.Statement != text || s.Name != "Person "+one.who.Person || s.How != record.ShownBoth || s.Session != one.who.Session || s.Zone != "Europe/Stockholm" || s.Meaning != one.meaning ||
			s.Role != one.who.Actor.Role || s.Role == "" || r.Stamp.UTC.Time().Before(s.Stamp.UTC.Time()) {
			t.Errorf("%s: %+v", one.act, s.Signature)
		}
	}
	v, err := l.Of(t.Context(), r1)
	if err != nil {
		t.Fatal(err)
	}
	var texts [][]byte
	for _, e := range v.Entries {
		texts = append(texts, e.JSON)
	}
	found, err := signature.Verify(r1, texts)
	if err != nil || !found.Holds() || len(found.Signatures) != 3 || v.State != record.RunApproved {
		t.Errorf("%v: %+v", err, found)
	}
	for _, f := range found.Signatures {
		if !f.InForce() {
			t.Errorf("%s is not in force: %s", f.Signature.Meaning, f.Over)
		}
	}
}

// TestNothingIsSignedThatWasNotShown: a statement of another meaning, of somebody else or of an earlier moment signs nothing and changes nothing.
func TestNothingIsSignedThatWasNotShown(t *testing.T) {
	l := newLab(t)
	l.cfg.SignSubmit = false
	anna, bela := l.person("anna", rights.Operator), l.person("bela", rights.Reviewer)
	l.perform(anna.Actor)
	_, early := l.shown(bela, record.MeansReviewed)
	if err := l.act(anna, record.ActSubmit, rights.Signing{}, ""); err != nil {
		t.Fatal(err)
	}
	_, other := l.shown(bela, record.MeansApproved)
	_, annas := l.shown(anna, record.MeansReviewed)
	right := rights.Signing{Login: "bela", Secret: secretOf("bela")}
	for what, hash := range map[string]string{"none": "", "of an earlier moment": early, "of another meaning": other, "of somebody else": annas} {
		before, refused := l.journal.Head(), len(l.refused)
		var not *record.NotDone
		if err := l.act(bela, record.ActReview, right, hash); !errors.As(err, &not) || !strings.Contains(not.Why, "not what there is to sign now") {
			t.Errorf("a statement %s: %v", what, err)
		}
		if l.journal.Head() != before || len(l.refused) != refused+1 || l.State(r1) != record.RunInReview {
			t.Errorf("a statement %s: %d entries, %q", what, l.journal.Head()-before, l.refused[refused:])
		}
	}
	// A wrong secret: an entry signature-refused, and nothing else.
	_, hash := l.shown(bela, record.MeansReviewed)
	before := l.journal.Head()
	if err := l.act(bela, record.ActReview, rights.Signing{Login: "bela", Secret: "a guess"}, hash); !errors.Is(err, rights.ErrWrong) {
		t.Errorf("a wrong secret: %v", err)
	}
	list, err := l.journal.Read(t.Context(), before, 10)
	if err != nil || len(list) != 1 || list[0].Kind != record.KindSignatureRefused || !strings.Contains(string(list[0].JSON), r1) || l.State(r1) != record.RunInReview {
		t.Errorf("%v, %v", list, err)
	}
	// The refused attempt is no part of what is signed: the statement that was shown is still the one.
	if _, again := l.shown(bela, record.MeansReviewed); again != hash {
		t.Error("an attempt that failed changes what there is to sign")
	}
	// What cannot be recorded is not signed, and no act stands without its signature.
	l.journal.FailAppends(errors.New("the disk is full"))
	if err := l.act(bela, record.ActReview, right, hash); err == nil || l.State(r1) != record.RunInReview {
		t.Errorf("%v, %s", err, l.State(r1))
	}
	l.journal.FailAppends(nil)
	if err := l.act(bela, record.ActReview, right, hash); err != nil || l.State(r1) != record.RunReviewed {
		t.Errorf("%v, %s", err, l.State(r1))
	}
}

// TestARunThatChangedIsSignedAnew: after an exclusion the earlier signature is over and stays so, and the statement says what was excluded and why.
func TestARunThatChangedIsSignedAnew(t *testing.T) {
	l := newLab(t)
	l.policy.Approvals = 1
	anna, bela := l.person("anna", rights.Operator), l.person("bela", rights.Reviewer)
	l.perform(anna.Actor)
	sign := func(who rights.Who, act, meaning string) {
		t.Helper()
		_, hash := l.shown(who, meaning)
		if err := l.act(who, act, rights.Signing{Login: who.Person, Secret: secretOf(who.Person)}, hash); err != nil {
			t.Fatal(err)
		}
	}
	sign(anna, record.ActSubmit, record.MeansPerformed)
	sign(bela, record.ActApprove, record.MeansReviewed)
	v, err := l.Of(t.Context(), r1)
	if err != nil {
		t.Fatal(err)
	}
	w := v.Weighings[0]
	if err := l.Correct(t.Context(), r1, review.Correction{Change: record.CorrectExclude, Of: w.ID, Reason: "spilt", Comment: "seeds on the pan", Ref: "INV-7", Seen: v.Last}, bela.Actor,
		review.Able{Review: true}); err != nil {
		t.Fatal(err)
	}
	sign(bela, record.ActSubmit, record.MeansReviewed)
	sign(bela, record.ActApprove, record.MeansReviewed)
	if v, err = l.Of(t.Context(), r1); err != nil {
		t.Fatal(err)
	}
	var over []string
	for _, s := range v.Signed {
		over = append(over, s.Meaning+" "+s.Over)
	}
	if got := strings.Join(over, "; "); got != "performed after it, a weighing was excluded: spilt; reviewed after it, a weighing was excluded: spilt; reviewed ; reviewed " {
		t.Errorf("%s", got)
	}
	if text := v.Signed[3].Statement; !strings.Contains(text, "- exclude "+w.ID+": spilt (seeds on the pan), investigation INV-7, by Person bela\nNot used: 1\n") {
		t.Errorf("it says\n%s", text)
	}
}
