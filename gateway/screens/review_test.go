package screens

import (
	"context"
	"encoding/json"
	"errors"
	"html"
	"net/http"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// looked is reviews of runs as a test has them. What a page may not ask panics.
type looked struct {
	console.Reviews
	view      console.ReviewView
	list      console.ReviewList
	asked     []console.ReviewsAsked
	statement error
	asks      rights.AsksToSign
	alike     bool // every layout reads the same
}

func (f *looked) RunReviews(q console.ReviewsAsked) console.ReviewList {
	f.asked = append(f.asked, q)
	return f.list
}

func (f *looked) RunReview(_ context.Context, run string) (console.ReviewView, error) {
	if run != f.view.ID {
		return console.ReviewView{}, record.ErrNoRun
	}
	return f.view, nil
}

func (f *looked) RunStatement(_ context.Context, run, meaning string) (console.Statement, error) {
	return console.Statement{Meaning: meaning, Text: "The statement of " + run, SHA256: "5ea1", Last: 24, Asks: f.asks, Ticket: "71c4"}, f.statement
}

var rhea = record.Actor{ID: "rhea", Name: "Rhea Sower", Role: "reviewer", By: record.ActorPassword}

func signedIn(a record.Actor, can ...rights.Right) rights.Who {
	return rights.Who{Actor: a, Person: a.ID, Session: "s-" + a.ID, Rights: rights.Of(can...), Known: true}
}

// aReviewedRun was approved by Rhea, then a weighing was excluded: her signature is no longer in force.
func aReviewedRun(t *testing.T) console.ReviewView {
	t.Helper()
	ref := record.RunRef{ID: "r-7qx3-000009", Procedure: seeds}
	stamp := record.Stamp{UTC: record.UTC(time.Date(2026, 11, 30, 9, 0, 0, 0, time.UTC)), Zone: "+01:00", Clock: record.ClockChecked, Sources: 3}
	weighing := func(seq uint64, id, digits string) *record.Weighing {
		return &record.Weighing{Head: record.Head{ID: id, Seq: seq}, Balance: record.Balance{ID: "b-12"}, Value: record.Value{Digits: digits, Unit: "g", Range: "in", Stability: "stable"},
			Frame: []byte("N " + digits + " g\r\n"), Layout: "sha256:77", Stamp: stamp, Fitness: record.Fitness{State: record.InService},
			Context: record.Context{Sample: &record.Learnt{ID: "LOT-1004", By: record.FromRun}, Fields: map[string]string{"drawer": "N-4"}}}
	}
	step := func(seq uint64, w *record.Weighing, pass int) console.RunStepView {
		return console.RunStepView{Label: "Replicate", Counts: true, RunStep: &record.RunStep{Head: record.Head{Seq: seq}, Step: "replicate", Pass: pass, Became: record.StepTaken, By: ada,
			Stamp: stamp, Weighing: &record.EntryRef{Seq: w.Seq, ID: w.ID}, Value: &record.RunValue{Digits: w.Value.Digits, Unit: "g", How: "weighed"}}}
	}
	one, two := weighing(11, "seed-bank/7qx3/b-12/000031", "4.4512"), weighing(13, "seed-bank/7qx3/b-12/000032", "9.9999")
	first := []record.RunResult{{Name: "mean", Label: "Mean mass", Item: sampleItem("LOT-1004"), Digits: "7.23", Unit: "g", Verdict: record.CheckFailed, Limit: "at most 5 g"}}
	now := []record.RunResult{{Name: "mean", Label: "Mean mass", Item: sampleItem("LOT-1004"), Digits: "4.45", Unit: "g", Verdict: record.CheckPassed, Limit: "at most 5 g"}}
	v := console.ReviewView{ReviewGlance: console.ReviewGlance{RunRef: ref, Title: "Thousand-seed mass", State: record.RunReviewAgain, Verdict: record.CheckPassed, Items: []record.RunItem{*sampleItem("LOT-1004")},
		By: ada, Last: 24, Flags: []string{"weighing excluded"}}, First: first, Approvals: 1, Weighings: []*record.Weighing{one, two}, Reasons: []string{"spilt", "other"},
		Excluded: []record.EntryRef{{Seq: 13, ID: two.ID}}, SeenUpTo: 13, Covers: []uint64{11, 13, 21, 24}}
	v.Run = console.RunView{RunGlance: console.RunGlance{RunRef: ref, Title: v.Title, State: v.State, By: ada, Items: v.Items}, Steps: []console.RunStepView{step(12, one, 1), step(14, two, 2)}, Results: now,
		Ended: &record.RunEnded{Head: record.Head{ID: "seed-bank/7qx3/@/000015", Seq: 15}, People: []string{"ada"}, By: ada}}
	v.Corrections = []*record.RunCorrected{{Head: record.Head{ID: "seed-bank/7qx3/@/000024", Seq: 24}, Run: ref, Change: record.CorrectExclude, Of: record.EntryRef{Seq: 13, ID: two.ID}, Reason: "spilt", Comment: "half of it lay on the pan",
		Ref: "INV-7", From: record.RunApproved, To: record.RunReviewAgain, Was: first, Results: now, By: rhea, Stamp: stamp}}
	signed := &record.Signature{Head: record.Head{ID: "seed-bank/7qx3/@/000021", Seq: 21}, Run: ref, Meaning: record.MeansReviewed, Statement: "what she read", Name: "Rhea Sower", Role: "reviewer", How: record.ShownBoth,
		Covers: record.Covered{Entries: 6, Last: 20, Root: "sha256:ab"}, By: rhea, Zone: "Europe/Ljubljana", Stamp: stamp}
	v.Signatures = []console.ReviewSigned{{Signature: signed, Over: "after it, a weighing was excluded: spilt"}}
	v.Acts = []*record.RunReview{{Head: record.Head{Seq: 22}, Run: ref, Act: record.ActApprove, From: record.RunInReview, To: record.RunApproved, Signature: &record.EntryRef{Seq: 21}, By: rhea, Stamp: stamp}}
	v.Deliveries = []console.ReviewDelivery{{Entry: record.EntryRef{Seq: 15, ID: "seed-bank/7qx3/@/000015"}, Destination: "share", State: console.DeliveryHad},
		{Entry: record.EntryRef{Seq: 24, ID: "seed-bank/7qx3/@/000024"}, Destination: "share", State: console.DeliveryWaits}}
	look := &record.RunReview{Head: record.Head{ID: "seed-bank/7qx3/@/000025", Seq: 25}, Run: ref, Act: record.ActLook, Seen: 13, By: rhea, Stamp: stamp}
	for _, body := range []record.Body{v.Corrections[0], look} { // a look is nothing new to look at
		body.Identity().Schema = body.Kind().Schema()
		raw, err := json.Marshal(body)
		if err != nil {
			t.Fatal(err)
		}
		v.Trail = append(v.Trail, raw)
	}
	return v
}

// TestAReviewShowsEverything that is known of a run, and offers what may be done: nothing else.
func TestAReviewShowsEverything(t *testing.T) {
	f := &looked{view: aReviewedRun(t)}
	f.view.Allowed = []console.ReviewAllowed{{Act: record.ActReplace, To: record.RunReplaced, Reason: true}, {Act: record.ActApprove, To: record.RunApproved, Meaning: record.MeansReviewed}, {Act: record.ActLook}, {Act: "correct"}}
	l := newLab(t, Deps{Reviews: f})
	status, body := l.get(t, "/runs/r-7qx3-000009/review", signedIn(rhea, rights.See, rights.ReadJournal, rights.ReviewRuns))
	if status != http.StatusOK {
		t.Fatalf("%d %s", status, body)
	}
	for _, want := range []string{"needs review again", "before and after what was corrected", "7.23 g", "4.45 g", "EXCLUDED", "half of it lay on the pan", "INV-7", "Found first", "As it stands",
		"no longer in force", "after it, a weighing was excluded: spilt", "Rhea Sower", "Europe/Ljubljana", "what she read", "<span>4e</span>", "1 entry is new", "covers 6 entries", "delivered", "not yet delivered",
		`name="act" value="replace"`, `name="act" value="approve"`, `value="5ea1"`, "The statement of r-7qx3-000009", `name="signing.secret" type="password"`, `name="act" value="look"`, `name="change" value="include"`,
		`name="change" value="exclude"`, `<option value="spilt">`, "drawer: N-4", `name="seen" value="24"`} {
		if !strings.Contains(body, want) {
			t.Errorf("the page has no %q", want)
		}
	}
	for _, other := range []string{`value="archive"`, `value="submit"`, `value="return"`, "ZgotmplZ"} {
		if strings.Contains(body, other) {
			t.Errorf("the page has %q", other)
		}
	}
	if i, j := strings.Index(body, `id="act-approve"`), strings.Index(body, `id="act-replace"`); i < 0 || i > j {
		t.Error("what the run waits for does not come first")
	}
	f.statement = errors.New("its steps are not done")
	if _, body := l.get(t, "/runs/r-7qx3-000009/review", signedIn(rhea, rights.See, rights.ReadJournal, rights.ReviewRuns)); strings.Contains(body, "signing.secret\" type") || !strings.Contains(body, "It cannot be signed now") {
		t.Error("a secret is asked for under a statement that is not there")
	}
	f.statement, f.asks = nil, rights.AsksToSign{Both: true, Provider: "openid"}
	_, body = l.get(t, "/runs/r-7qx3-000009/review", signedIn(rhea, rights.See, rights.ReadJournal, rights.ReviewRuns))
	for _, want := range []string{`data-send="POST /api/v1/runs/r-7qx3-000009/review/provider"`, `name="statement_sha256" value="5ea1"`, `name="to" value="/runs/r-7qx3-000009/review"`, "You sign at openid",
		`<noscript><p class="acts"><a class="button" href="/runs/r-7qx3-000009/review/provider?act=approve&amp;seen=24&amp;statement_sha256=5ea1&amp;ticket=71c4">`} {
		if !strings.Contains(body, want) {
			t.Errorf("the page of somebody whose account a provider keeps has no %q", want)
		}
	}
	if strings.Contains(body, `type="password"`) {
		t.Error("a secret is asked for that is not here")
	}
	f.asks = rights.AsksToSign{Not: "this session has ended"}
	if _, body := l.get(t, "/runs/r-7qx3-000009/review", signedIn(rhea, rights.See, rights.ReadJournal, rights.ReviewRuns)); strings.Contains(body, `type="password"`) || !strings.Contains(body, "This session has ended.") {
		t.Error("whoever cannot sign is not told why")
	}
}

func (f *looked) RunReadings(_ context.Context, run, of string) (console.FrameReadings, error) {
	if of != f.view.Weighings[0].ID {
		return console.FrameReadings{}, &record.NotDone{Why: "it was not weighed for the run " + run}
	}
	v := f.view.Weighings[0].Value
	other := record.Value{Digits: "451.2", Unit: "mg", Range: "in", Stability: "stable"}
	if f.alike {
		other = v
	}
	return console.FrameReadings{Layout: "sha256:77", More: true, Readings: []console.FrameReading{{Layout: "sha256:77", Balances: []string{"b-12"}, Now: true, Value: &v}, {Layout: "sha256:88", Value: &other},
		{Layout: "sha256:99", Balances: []string{"b-13", "b-14"}, Now: true, Why: hostileName}}}, nil
}

// TestAFrameIsReadAnewByAChosenLayout: what each makes of it is there, also of those that make nothing of it; only what changes something can be
// chosen, and only by whoever may correct the run.
func TestAFrameIsReadAnewByAChosenLayout(t *testing.T) {
	f := &looked{view: aReviewedRun(t)}
	f.view.Allowed = []console.ReviewAllowed{{Act: "correct"}}
	l := newLab(t, Deps{Reviews: f})
	who := signedIn(rhea, rights.See, rights.ReadJournal, rights.ReviewRuns)
	const page = "/runs/r-7qx3-000009/reread?of=seed-bank%2F7qx3%2Fb-12%2F000031"
	if _, body := l.get(t, "/runs/r-7qx3-000009/review", who); !strings.Contains(body, `href="`+page+`"`) {
		t.Error("no way leads there from the review")
	}
	_, body := l.get(t, page, who)
	for _, want := range []string{`data-send="POST /api/v1/runs/r-7qx3-000009/corrections" data-then="/runs/r-7qx3-000009/review"`, `name="change" value="reread"`, `name="layout" value="sha256:77" required disabled>`,
		`name="layout" value="sha256:88" required>`, "451.2 mg", "stable", "The weighing was read by it.", "layout of b-13, b-14", "earlier layout of a balance that is not known", "cannot read it (1)", "may be older layouts", `<option value="spilt">`,
		`name="seen" value="24"`, "<span>4e</span>"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page has no %q", want)
		}
	}
	if strings.Contains(body, hostileName) || strings.Contains(body, "ZgotmplZ") {
		t.Error("what a layout says is not written as text")
	}
	if _, body := l.get(t, "/runs/r-7qx3-000009/reread", who); !strings.Contains(body, `<a href="`+page+`">4.4512 g, seed-bank/7qx3/b-12/000031</a>`) {
		t.Error("nothing can be chosen where no weighing is named")
	}
	if status, _ := l.get(t, "/runs/r-7qx3-000009/reread?of=none-such", who); status != http.StatusNotFound {
		t.Errorf("%d", status)
	}
	f.alike = true
	if _, body := l.get(t, page, who); strings.Contains(body, `name="layout"`) || !strings.Contains(body, "No layout that this lab has or had reads anything else") {
		t.Error("something is offered where nothing would be another")
	}
	f.alike, f.view.Allowed = false, nil
	if _, body := l.get(t, page, who); strings.Contains(body, `name="layout"`) || !strings.Contains(body, "451.2 mg") || !strings.Contains(body, "You cannot correct this run as it is now.") {
		t.Error("whoever may not correct it is offered it")
	}
}

// TestAReviewSaysWhyNot: whoever may not do what a run waits for is told why, and is offered nothing.
func TestAReviewSaysWhyNot(t *testing.T) {
	for state, one := range map[string]struct {
		who  record.Actor
		can  []rights.Right
		want string
	}{
		record.RunInReview:    {ada, []rights.Right{rights.ReviewRuns}, "You had a part in this run: somebody else reviews it."},
		record.RunComplete:    {rhea, []rights.Right{rights.ReviewRuns}, "Whoever performed the run submits it: Ada Quill."},
		record.RunReviewed:    {rhea, []rights.Right{rights.ReviewRuns}, "To approve it needs the right to"},
		record.RunReviewAgain: {rhea, nil, "Whoever performed the run, or a reviewer, submits it again."},
	} {
		f := &looked{view: aReviewedRun(t)}
		f.view.State, f.view.Approvals = state, 2
		l := newLab(t, Deps{Reviews: f})
		_, body := l.get(t, "/runs/r-7qx3-000009/review", signedIn(one.who, append(one.can, rights.See, rights.ReadJournal)...))
		if !strings.Contains(body, one.want) || strings.Contains(body, `name="act"`) || strings.Contains(body, `name="change"`) {
			t.Errorf("%s: want %q and no form", state, one.want)
		}
	}
}

// TestReviewsWaitForSomebody: what waits for whoever looks comes first, and what has a flag is not approved together.
func TestReviewsWaitForSomebody(t *testing.T) {
	glance := func(id, state string, by record.Actor, flags ...string) console.ReviewGlance {
		return console.ReviewGlance{RunRef: record.RunRef{ID: id, Procedure: seeds}, Title: "Thousand-seed mass", State: state, Verdict: record.CheckPassed, By: by, Last: 24, Flags: flags}
	}
	f := &looked{list: console.ReviewList{Together: true, Next: "r-7qx3-000001", Runs: []console.ReviewGlance{glance("r-7qx3-000009", record.RunInReview, ada), glance("r-7qx3-000008", record.RunInReview, rhea),
		glance("r-7qx3-000007", record.RunInReview, ada, "not passed"), glance("r-7qx3-000006", record.RunReturned, ada)}}}
	l := newLab(t, Deps{Reviews: f})
	_, body := l.get(t, "/reviews?together=1&flag=none", signedIn(rhea, rights.See, rights.ReadJournal, rights.ReviewRuns))
	for _, want := range []string{"What waits for you (2)", "Others (2)", `data-run="r-7qx3-000009" data-seen="24" data-statement="5ea1"`, "after=r-7qx3-000001"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page has no %q", want)
		}
	}
	if strings.Count(body, "data-run=") != 1 {
		t.Error("a run with a flag, or one of the reviewer's own, is offered among those that are approved together")
	}
	if !strings.Contains(body, `<a href="/reviews" aria-current="page">Reviews (2 or more)</a>`) {
		t.Error("the navigation does not say how many wait for her")
	}
	f.list.Next = ""
	for name, right := range map[string]rights.Right{`<a href="/reviews">Reviews (2)</a>`: rights.ReviewRuns, `<a href="/reviews">Reviews</a>`: rights.ApproveRuns, "": rights.Run} {
		_, body := l.get(t, "/due", signedIn(rhea, rights.See, right))
		if found := strings.Contains(body, `<a href="/reviews"`); found != (name != "") || !strings.Contains(body, name) {
			t.Errorf("with the right %s the navigation leads to reviews: %v", right, found)
		}
	}
	if q := f.asked[0]; q.Flag != "none" || len(q.States) != len(waitingStates) {
		t.Errorf("asked for %+v", q)
	}
	if _, body := l.get(t, "/reviews?together=1", signedIn(ada, rights.See, rights.Run)); strings.Contains(body, "data-run=") || !strings.Contains(body, "What waits for you (1)") {
		t.Error("somebody without the right is offered to approve runs")
	}
}

// TestASignatureOnThePageHasNameTimeAndMeaning (21 CFR 11.50(b)): printed name, date and time with the offset from UTC and the zone of the place, and
// what it means, in one place and in words, also where it is no longer in force.
func TestASignatureOnThePageHasNameTimeAndMeaning(t *testing.T) {
	view := aReviewedRun(t)
	for _, over := range []string{"after it, a weighing was excluded: spilt", ""} {
		view.Signatures[0].InForce, view.Signatures[0].Over = over == "", over
		l := newLab(t, Deps{Reviews: &looked{view: view}})
		_, body := l.get(t, "/runs/r-7qx3-000009/review", signedIn(rhea, rights.See, rights.ReadJournal))
		_, card, found := strings.Cut(body, `<div class="signed-card`)
		card, _, _ = strings.Cut(card, "<details>")
		if !found || strings.Count(body, `<div class="signed-card`) != 1 {
			t.Fatalf("no signature is shown: %s", body)
		}
		card = html.UnescapeString(card)
		for what, want := range map[string]string{"name": "Rhea Sower", "role": "reviewer", "date, time and offset of the place": "2026-11-30 10:00:00.000000 +01:00", "zone": "(Europe/Ljubljana)",
			"meaning": "I have reviewed this run", "whether it is in force": map[bool]string{true: "in force</span>", false: "no longer in force"}[over == ""]} {
			if !strings.Contains(card, want) {
				t.Errorf("%s: %q is not in %s", what, want, card)
			}
		}
	}
}

// TestARunIsOfferedForProgramsToo: its review has each form of its report, and names the report of that form whose place another takes.
func TestARunIsOfferedForProgramsToo(t *testing.T) {
	l := newLab(t, Deps{Reviews: &looked{view: aReviewedRun(t)}, Reports: outTray{}})
	_, body := l.get(t, "/runs/r-7qx3-000009/review", signedIn(rhea, rights.See, rights.ReadJournal, rights.ReviewRuns))
	_, part, _ := strings.Cut(body, `id="reports-programs"`)
	part, _, _ = strings.Cut(part, "</details>")
	for _, want := range []string{"form=json", "form=laboratory", `name="form" value="json"`, `name="form" value="laboratory"`, `data-send="POST /api/v1/reports"`} {
		if !strings.Contains(part, want) {
			t.Errorf("%q is not in %s", want, part)
		}
	}
	if strings.Contains(part, "rep-7qx3-000002") || !strings.Contains(body, `name="replaces" value="rep-7qx3-000002"`) {
		t.Error("data take the place of a PDF")
	}
	if _, body := l.get(t, "/runs/r-7qx3-000009/review", signedIn(rhea, rights.See, rights.ReadJournal)); strings.Contains(body, `name="form" value="json"`) || !strings.Contains(body, "form=json") {
		t.Error("whoever may only read issues, or sees no preview")
	}
}
