package review

import (
	"context"
	"encoding/json"
	"errors"
	"reflect"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/record"
)

// again says that a run that was approved needs review again, is not signed any more, and why.
func (h *house) again(p *performed, why string) {
	h.t.Helper()
	h.becomes(p.id, record.RunReviewAgain)
	v, err := h.Of(h.t.Context(), p.id)
	h.must(err)
	if len(v.Signed) != 1 || !strings.Contains(v.Signed[0].Over, why) {
		h.t.Errorf("the signature is over since %q, want %q", v.Signed[0].Over, why)
	}
	// It can be signed anew, and only then is.
	h.must(h.does(cleo, p.id, Act{Act: record.ActSubmit}))
	h.must(h.does(dan, p.id, Act{Act: record.ActApprove}))
	if v, err = h.Of(h.t.Context(), p.id); err != nil || len(v.Signed) != 2 || v.Signed[0].Over == "" || v.Signed[1].Over != "" {
		h.t.Errorf("signed anew: %v, %+v", err, v.Signed)
	}
}

// The five causes for which a run needs review again, each by itself.

func TestAnExclusionAfterASignatureNeedsReviewAgain(t *testing.T) {
	h := newHouse(t)
	p := h.perform(record.RunComplete)
	h.approved(p)
	h.must(h.corrects(dan, p.id, Correction{Change: record.CorrectExclude, Of: p.weighings[0].ID}))
	h.again(p, "a weighing was excluded: spilt")
	v, err := h.Of(t.Context(), p.id)
	h.must(err)
	if was, is := v.EndedAs.Results[0].Digits, v.Results[0].Digits; was != "11.667" || is != "12.500" || v.Verdict != record.CheckFailed {
		t.Errorf("the mean was %s and is %s, %s; want 11.667 and 12.500, failed", was, is, v.Verdict)
	}
}

func TestAnInclusionAfterASignatureNeedsReviewAgain(t *testing.T) {
	h := newHouse(t)
	p := h.perform(record.RunComplete)
	h.must(h.corrects(ada, p.id, Correction{Change: record.CorrectExclude, Of: p.weighings[1].ID}))
	h.approved(p)
	h.must(h.corrects(cleo, p.id, Correction{Change: record.CorrectInclude, Of: p.weighings[1].ID}))
	h.again(p, "a weighing was included again")
	v, err := h.Of(t.Context(), p.id)
	h.must(err)
	if !reflect.DeepEqual(v.Results, v.EndedAs.Results) {
		t.Errorf("included again, the results are %+v, and were %+v", v.Results, v.EndedAs.Results)
	}
}

func TestAnAmendmentAfterASignatureNeedsReviewAgain(t *testing.T) {
	h := newHouse(t)
	p := h.perform(record.RunComplete)
	h.approved(p)
	h.must(h.corrects(cleo, p.id, Correction{Change: record.CorrectAmend, Of: p.begun.ID, Field: "sample", After: "LOT-2"}))
	h.again(p, "the sample of a weighing was amended")
	v, err := h.Of(t.Context(), p.id)
	h.must(err)
	c := v.Corrected[0]
	if c.Before != "LOT-1" || c.After != "LOT-2" || c.Was[0].Item.Sample != "LOT-1" || c.Results[0].Item.Sample != "LOT-2" || c.Results[0].Digits != "11.667" {
		t.Errorf("%+v", c)
	}
}

func TestReadingAnewAfterASignatureNeedsReviewAgain(t *testing.T) {
	h := newHouse(t)
	p := h.perform(record.RunComplete)
	h.approved(p)
	h.must(h.corrects(cleo, p.id, Correction{Change: record.CorrectReread, Of: p.weighings[0].ID, Layout: "sha256:a"}))
	h.again(p, "read anew by another layout")
	if c := entriesOf[record.RunCorrected](h, record.KindRunCorrected)[0]; c.Before != "10.000 g" || c.After != "9.000 g" || c.Results[0].Digits != "11.333" {
		t.Errorf("%+v", c)
	}
}

func TestAFailedCheckThatAffectsASignedRunNeedsReviewAgain(t *testing.T) {
	h := newHouse(t)
	p, other := h.perform(record.RunComplete), h.perform(record.RunComplete)
	h.approved(p)
	h.approved(other)
	h.mu.Lock()
	h.doubts[p.weighings[0].Seq] = []string{"b-1/c000004"}
	h.mu.Unlock()
	v, err := h.Of(t.Context(), p.id)
	h.must(err)
	if v.State != record.RunApproved || !slices.Contains(v.Flags, FlagAssessment) || v.Assessed[0].Check != "b-1/c000004" || v.Signed[0].Over != "" {
		t.Errorf("under assessment it is %s, %v: the signature has to stay", v.State, v.Flags)
	}
	h.judges(p.weighings[0], record.EffectNone)
	h.judges(p.weighings[1], record.EffectAffected)
	h.again(p, "a failed check was judged to affect the run")
	h.is(other.id, record.RunApproved)
	acts := entriesOf[record.RunReview](h, record.KindRunReviewed)
	i := slices.IndexFunc(acts, func(a *record.RunReview) bool { return a.Act == record.ActDoubt })
	if i < 0 || acts[i].Check != "b-1/c000004" || acts[i].By.By != record.ActorSoftware || acts[i].From != record.RunApproved {
		t.Errorf("%+v", acts)
	}
}

// TestFourEyes: nobody reviews what they had a part in, unless the procedure says so; and of two who sign, the second is another than the first.
func TestFourEyes(t *testing.T) {
	h := newHouse(t)
	refuses := func(err error, why string) {
		t.Helper()
		if not, _ := denied(err); !not || !strings.Contains(err.Error(), why) {
			t.Errorf("%v, want %s", err, why)
		}
	}
	p := h.perform(record.RunComplete)
	h.must(h.does(ada, p.id, Act{Act: record.ActSubmit}))
	refuses(h.does(ben, p.id, Act{Act: record.ActApprove}), "ben had a part in the run")
	refuses(h.does(ben, p.id, Act{Act: record.ActReturn}), "ben had a part in the run")
	// Whoever is said, by an amendment, to have weighed has a part in it from then on.
	h.must(h.corrects(cleo, p.id, Correction{Change: record.CorrectAmend, Of: p.weighings[0].ID, Field: "person", After: "dan"}))
	refuses(h.does(dan, p.id, Act{Act: record.ActApprove}), "dan had a part in the run")
	h.policy.SamePerson = true
	h.must(h.does(ben, p.id, Act{Act: record.ActApprove}))
	h.policy = Policy{Approvals: 2}
	p = h.perform(record.RunComplete)
	h.must(h.does(ada, p.id, Act{Act: record.ActSubmit}))
	refuses(h.does(eve, p.id, Act{Act: record.ActApprove}), "is in review")
	h.must(h.does(cleo, p.id, Act{Act: record.ActReview}))
	refuses(h.does(cleo, p.id, Act{Act: record.ActApprove}), "cleo reviewed the run")
	h.must(h.does(eve, p.id, Act{Act: record.ActApprove}))
	means := []string{}
	for _, s := range entriesOf[record.Signature](h, record.KindSignature) {
		means = append(means, s.By.ID+" "+s.Meaning)
	}
	if !slices.Equal(means, []string{"ben reviewed", "cleo reviewed", "eve approved"}) {
		t.Errorf("%v", means)
	}
}

// TestASignatureStandsJustBeforeItsAct, and the act names it; where nobody signs, nothing is written.
func TestASignatureStandsJustBeforeItsAct(t *testing.T) {
	h := newHouse(t)
	p := h.perform(record.RunComplete)
	h.approved(p)
	all, err := h.journal.Read(t.Context(), 0, 1000)
	h.must(err)
	act, signed := all[len(all)-1], all[len(all)-2]
	var a record.RunReview
	h.must(json.Unmarshal(act.JSON, &a))
	if signed.Kind != record.KindSignature || a.Signature == nil || a.Signature.Seq != signed.Seq || a.Signature.ID != signed.ID {
		t.Errorf("%s before %s", signed.JSON, act.JSON)
	}
	p = h.perform(record.RunComplete)
	h.must(h.does(ada, p.id, Act{Act: record.ActSubmit}))
	head, wrong := h.journal.Head(), errors.New("the secret is wrong")
	for _, shows := range []func(context.Context, Proposal) (Sign, error){nil, func(context.Context, Proposal) (Sign, error) { return nil, wrong },
		func(context.Context, Proposal) (Sign, error) {
			return func(context.Context, Proposal) (*record.Signature, error) { return nil, wrong }, nil
		}} {
		err := h.Act(t.Context(), p.id, Act{Act: record.ActApprove, Seen: h.last(p.id), Shows: shows}, cleo, able["cleo"])
		if not, _ := denied(err); err == nil || !not && !errors.Is(err, wrong) || h.journal.Head() != head {
			t.Errorf("%v, head %d, was %d", err, h.journal.Head(), head)
		}
	}
	h.is(p.id, record.RunInReview)
}

// TestWhatWasOutsideDoesNotGoAwayByItself: it takes a reviewer, and the reference of an investigation.
func TestWhatWasOutsideDoesNotGoAwayByItself(t *testing.T) {
	h := newHouse(t)
	p := h.perform(record.RunComplete)
	out := Correction{Change: record.CorrectExclude, Of: p.weighings[2].ID}
	if _, lacks := denied(h.corrects(ada, p.id, out)); !lacks {
		t.Error("whoever performed it excluded what was outside")
	}
	if not, _ := denied(h.corrects(cleo, p.id, out)); !not {
		t.Error("it was excluded without the reference of an investigation")
	}
	out.Ref = "INV-2026-03"
	h.must(h.corrects(cleo, p.id, out))
	v, err := h.Of(t.Context(), p.id)
	h.must(err)
	if v.Results[0].Digits != "10.500" || v.Corrected[0].Ref != "INV-2026-03" || v.Corrected[0].Excluded[0].ID != p.weighings[2].ID || len(v.Weighings) != 3 {
		t.Errorf("%+v", v.Corrected[0])
	}
}

// TestTogether: only what has no flag is approved without being looked over by itself, and only where the lab allows it.
func TestTogether(t *testing.T) {
	h := newHouse(t)
	plain, outside := h.perform(record.RunComplete, "10.000", "10.100", "10.200"), h.perform(record.RunComplete)
	for _, p := range []*performed{plain, outside} {
		h.must(h.does(ada, p.id, Act{Act: record.ActSubmit}))
	}
	if list, _ := h.List(Filter{Flag: NoFlag}); len(list) != 1 || list[0].Run.ID != plain.id {
		t.Errorf("without flags: %+v", list)
	}
	for _, together := range []bool{false, true} {
		h.cfg.Together = together
		for _, p := range []*performed{outside, plain} {
			err := h.does(cleo, p.id, Act{Act: record.ActApprove, Unseen: true})
			if (err == nil) != (together && p == plain) {
				t.Errorf("together %t: %v", together, err)
			}
		}
	}
	if acts := entriesOf[record.RunReview](h, record.KindRunReviewed); !acts[len(acts)-1].Unseen {
		t.Error("the act does not say that it was one of several")
	}
}

// TestALabSystemHearsWhatBecomesOfItsRun: approved, in need of review again, replaced; with the results as they then are.
func TestALabSystemHearsWhatBecomesOfItsRun(t *testing.T) {
	h := newHouse(t)
	ref := record.RequestRef{From: "lims", ID: "r-aaaaa-000001"}
	h.requests[ref] = record.LabRequest{RequestRef: ref, Procedure: "lots", Items: []record.RunItem{{Sample: "LOT-1"}}}
	p, other := h.perform(record.RunComplete), h.perform(record.RunComplete)
	h.approved(p)
	h.must(h.corrects(cleo, p.id, Correction{Change: record.CorrectExclude, Of: p.weighings[1].ID}))
	h.must(h.does(cleo, p.id, Act{Act: record.ActReplace, Other: other.id, Reason: "weighed anew"}))
	h.approved(other)
	var heard []string
	for _, c := range entriesOf[record.LabRequestChanged](h, record.KindRequestChanged) {
		heard = append(heard, c.State+" "+c.Results[0].Digits)
	}
	if want := []string{"approved 11.667", "needs review again 12.000", "replaced 12.000"}; !slices.Equal(heard, want) {
		t.Errorf("%q, want %q", heard, want)
	}
}

// TestItGoesOnAfterAStop, from the file beside the journal.
func TestItGoesOnAfterAStop(t *testing.T) {
	h := newHouse(t)
	p := h.perform(record.RunComplete)
	h.approved(p)
	h.must(h.does(dan, p.id, Act{Act: record.ActLook}))
	h.view.Lock()
	before := h.runs
	h.view.Unlock()
	for range 2 {
		h.end()
		h.open()
		h.view.Lock()
		if !reflect.DeepEqual(h.runs, before) {
			t.Errorf("%+v, was %+v", h.runs[p.id], before[p.id])
		}
		h.view.Unlock()
		h.must(h.does(cleo, p.id, Act{Act: record.ActLook}))
		h.view.Lock()
		before = h.runs
		h.view.Unlock()
	}
	h.must(h.does(cleo, p.id, Act{Act: record.ActArchive}))
	h.is(p.id, record.RunArchived)
}
