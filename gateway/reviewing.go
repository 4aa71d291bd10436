package gateway

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/procedure"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
	"weighpost/gateway/review"
	"weighpost/gateway/rights"
)

// openReviews begins to read what became of runs. Balances are read meanwhile.
func (g *Gateway) openReviews(ctx context.Context) {
	g.review = review.New(review.Options{Dir: g.now.Load().cfg.Journal.Folder, Journal: g.journal, Stamp: g.stamp, Log: g.log,
		Config: func() review.Config { return g.now.Load().cfg.Review }, Policy: g.policyOf, Again: g.workAgain, Reread: g.Reread, Doubts: g.fitness.Doubts, Head: g.headRoot,
		Request: g.requestOf, Refused: func(what, why string, by record.Actor) { g.refusals.Note(what, by.Where, why, by) }})
	var following group
	following.start(ctx, nil, g.review.Run)
	g.review.Await(ctx, reviewsAwaited)
	g.life.onStop("what is known of reviews", g.hasty("what is known of reviews", following.stop))
}

// reviewsAwaited is how long a start waits until it is known what became of runs. Whoever acts on one waits for the rest.
const reviewsAwaited = time.Second

// policyOf is by whom runs of a version of a procedure are approved.
func (g *Gateway) policyOf(ref record.ProcedureRef) (review.Policy, error) {
	def, err := g.runs.Definition(ref.Name, ref.Version)
	if err != nil {
		return review.Policy{}, err
	}
	return review.Policy{Approvals: def.Review.Wanted(), SamePerson: def.Review.SamePerson}, nil
}

// workAgain works out what a run found, by all its corrections.
func (g *Gateway) workAgain(begun *record.RunBegun, steps []*record.RunStep, corrections []*record.RunCorrected) (f procedure.Found, worked []record.Reworked, err error) {
	def, err := g.runs.Definition(begun.Run.Procedure.Name, begun.Run.Procedure.Version)
	if err != nil {
		return f, nil, err
	}
	changes, err := procedure.ChangesOf(corrections)
	if err != nil {
		return f, nil, err
	}
	return procedure.Again(def, begun, steps, changes)
}

// headRoot signs the head of the journal, and gives how many entries it has and their root.
func (g *Gateway) headRoot(ctx context.Context) (size uint64, root string, err error) {
	size, note, err := g.journal.Checkpoint(ctx)
	if err != nil {
		return 0, "", err
	}
	text, _, _ := strings.Cut(string(note), "\n\n")
	at, err := proof.ParseText(text + "\n")
	if err != nil {
		return 0, "", fmt.Errorf("the checkpoint of the journal cannot be read: %w", err)
	}
	return size, base64.StdEncoding.EncodeToString(at.Root[:]), nil
}

func (g *Gateway) requestOf(ref record.RequestRef) (record.LabRequest, bool) {
	q, known := g.runs.Request(ref)
	return q.LabRequest, known
}

// reviewsAble says what of the rights that reviews ask for somebody has.
func reviewsAble(who rights.Who) review.Able {
	return review.Able{Run: who.May(rights.Run) == nil, Review: who.May(rights.ReviewRuns) == nil, Approve: who.May(rights.ApproveRuns) == nil}
}

// lacking makes of what a review says the words of rights.
func lacking(ctx context.Context, err error) error {
	var lacks *review.Lacks
	if errors.As(err, &lacks) {
		return &rights.Denied{Who: rights.From(ctx), Right: lacks.Right}
	}
	return err
}

// ActOnReview does something to a run in its review.
func (g *Gateway) ActOnReview(ctx context.Context, run string, a console.ReviewAct, by record.Actor) (v console.ReviewView, err error) {
	act := actOf(a)
	act.Shows = g.signs(ctx, a.Signing, g.showsWho)
	if err := g.review.Act(ctx, run, act, by, reviewsAble(rights.From(ctx))); err != nil {
		return v, lacking(ctx, err)
	}
	return g.RunReview(ctx, run)
}

func actOf(a console.ReviewAct) review.Act {
	return review.Act{Act: a.Act, Seen: a.Seen, Reason: a.Reason, Ref: a.Ref, Other: a.Other}
}

// CorrectRun corrects a run.
func (g *Gateway) CorrectRun(ctx context.Context, run string, c console.RunCorrection, by record.Actor) (v console.ReviewView, err error) {
	if err := g.review.Correct(ctx, run, review.Correction(c), by, reviewsAble(rights.From(ctx))); err != nil {
		return v, lacking(ctx, err)
	}
	return g.RunReview(ctx, run)
}

// ApproveTogether approves runs without any flag, one after the other.
func (g *Gateway) ApproveTogether(ctx context.Context, list []console.TogetherRun, s *console.Signing, by record.Actor) (out []console.TogetherOutcome) {
	shows := g.showsOnce()
	for _, one := range list {
		of := *s
		of.Statement = one.Statement
		act := review.Act{Act: record.ActApprove, Seen: one.Seen, Unseen: true, Shows: g.signs(ctx, &of, shows)}
		err := g.review.Act(ctx, one.Run, act, by, reviewsAble(rights.From(ctx)))
		o := console.TogetherOutcome{Run: one.Run, OK: err == nil, State: g.review.State(one.Run)}
		if err != nil {
			o.Why = err.Error()
		}
		out = append(out, o)
	}
	return out
}
