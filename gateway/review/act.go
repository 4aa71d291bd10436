package review

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Able says what of the rights that reviews ask for whoever acts has.
type Able struct{ Run, Review, Approve bool }

func (a Able) any(list []rights.Right) bool {
	return slices.ContainsFunc(list, func(r rights.Right) bool {
		return r == rights.Run && a.Run || r == rights.ReviewRuns && a.Review || r == rights.ApproveRuns && a.Approve
	})
}

// Act is something that somebody wants done to a run.
type Act struct {
	Act    string // of record.RunReview, but for doubt, which comes about by itself
	Seen   uint64 // sequence of the last entry of the run that was shown to whoever acts; look: up to which they have looked
	Reason string
	Ref    string // of an investigation
	Other  string // replace: the id of the run that stands for it
	Unseen bool   // it is approved together with others, since it has no flag
	// Shows has whoever acts show who they are, where it is signed, once everything else about it is found to be in order. It may wait, for a
	// directory: others act meanwhile. An error of it is handed on as it is. nil: whoever acts cannot sign.
	Shows func(ctx context.Context, p Proposal) (Sign, error)
}

// Sign gives the signature of somebody who has shown who they are. What is proposed then may be other than what was when they showed it: it has to
// hold that against what they were shown. It does not wait for anybody. The room appends the signature with the act: both, or none.
type Sign func(ctx context.Context, p Proposal) (*record.Signature, error)

// Proposal is what is to be signed.
type Proposal struct {
	Run      record.RunRef
	Balance  *record.Balance
	Request  *record.RequestRef
	Act      string
	Meaning  string   // of record.Signature
	From, To string   // states
	Covers   []uint64 // sequences of the entries of the run, in their order
}

// Act does something to a run, and returns once that is known. The error is record.ErrNoRun, a *Lacks, a *record.NotDone that says why it
// was not done, or that of Shows or Sign.
func (r *Room) Act(ctx context.Context, id string, a Act, by record.Actor, able Able) error {
	sign, err := r.shows(ctx, id, &a, by, able)
	if err != nil {
		return r.refused(a.Act, id, by, err)
	}
	u, done, err := r.begin(ctx, id)
	if err != nil {
		return err
	}
	defer done()
	body, meaning, err := r.decide(u, &a, by, able) // once more: others may have acted meanwhile
	var signed *record.Signature
	switch {
	case err != nil:
	case meaning != "" && sign == nil:
		err = notDone("the rules of this lab changed meanwhile: this is signed now. Look at it again")
	case meaning != "":
		if signed, err = sign(ctx, proposal(u, body, meaning)); err == nil {
			body.Signature, body.By, body.Stamp = &record.EntryRef{}, signed.By, signed.Stamp
		}
	}
	if err != nil {
		return r.refused(a.Act, id, by, err)
	}
	if body.TreeSize, body.Root, err = r.o.Head(ctx); err != nil {
		return err
	}
	return r.append(ctx, u, signed, body)
}

// shows has whoever acts show who they are, if the act is signed; else there is nothing that signs. The token is not held meanwhile: a directory that
// answers slowly holds up nobody but its own people.
func (r *Room) shows(ctx context.Context, id string, a *Act, by record.Actor, able Able) (Sign, error) {
	u, done, err := r.begin(ctx, id)
	if err != nil {
		return nil, err
	}
	body, meaning, err := r.decide(u, a, by, able)
	done()
	switch {
	case err != nil || meaning == "":
		return nil, err
	case a.Shows == nil:
		return nil, notDone("this is signed: give your id and your secret with it")
	}
	return a.Shows(ctx, proposal(u, body, meaning))
}

func proposal(u *run, body *record.RunReview, meaning string) Proposal {
	return Proposal{Run: u.Run, Balance: u.Balance, Request: u.Request, Act: body.Act, Meaning: meaning, From: body.From, To: body.To, Covers: u.Entries}
}

// begin takes the token, with everything known, and what is due of itself about a run done; and gives the run as it then is.
func (r *Room) begin(ctx context.Context, id string) (u *run, done func(), err error) {
	if done, err = r.view.Take(ctx); err != nil {
		return nil, nil, err
	}
	if !r.view.Ready() {
		err = notDone("how runs are is still being read from the journal: try again in a moment")
	} else if err = r.settle(ctx, id); err == nil {
		u, err = r.copyOf(id)
	}
	if err != nil {
		done()
		return nil, nil, err
	}
	return u, done, nil
}

// copyOf gives what is known of a run, for whoever has not locked the view. The error is record.ErrNoRun.
func (r *Room) copyOf(id string) (*run, error) {
	r.view.Lock()
	defer r.view.Unlock()
	u := r.runs[id]
	if u == nil {
		return nil, record.ErrNoRun
	}
	c := *u
	c.Entries, c.Beside, c.Weighed, c.Flags = slices.Clone(u.Entries), slices.Clone(u.Beside), slices.Clone(u.Weighed), slices.Clone(u.Flags)
	c.People, c.Excluded, c.Looked = slices.Clone(u.People), slices.Clone(u.Excluded), maps.Clone(u.Looked)
	return &c, nil
}

// decide says what an act comes to, and what a signature under it means; or why it is not done.
func (r *Room) decide(u *run, a *Act, by record.Actor, able Able) (body *record.RunReview, meaning string, err error) {
	if !slices.ContainsFunc(moves, func(m move) bool { return m.act == a.Act }) || a.Act == record.ActDoubt || a.Act == correct {
		return nil, "", notDone("%.40q is nothing that is done to a run", a.Act)
	}
	p, err := r.policyFor(u, a.Act)
	if err != nil {
		return nil, "", err
	}
	to, err := allowed(a.Act, u, p, by, able)
	if err == nil {
		err = u.seen(a.Act, a.Seen)
	}
	if err == nil {
		err = a.check()
	}
	if err != nil {
		return nil, "", err
	}
	body = &record.RunReview{Run: u.Run, Balance: u.Balance, Request: u.Request, Act: a.Act, From: u.State, To: to, Reason: a.Reason, Ref: a.Ref, Seen: a.Seen,
		By: by, Unseen: a.Unseen, Verdict: u.Verdict, Stamp: r.o.Stamp()}
	switch {
	case a.Act == record.ActReplace:
		body.Other, err = r.stands(u, a.Other)
	case a.Unseen:
		err = r.mayUnseen(u, a.Act)
	}
	return body, meaningOf(a.Act, p, u.performed(by.ID), r.o.Config().SignSubmit), err
}

// policyFor is the policy of a run, where an act depends on it.
func (r *Room) policyFor(u *run, act string) (Policy, error) {
	p, err := r.o.Policy(u.Run.Procedure)
	if err != nil && slices.Contains([]string{record.ActReturn, record.ActReview, record.ActApprove}, act) {
		return p, notDone("who may approve the run %s cannot be told: %v", u.Run.ID, err)
	}
	return p, nil
}

// allowed says to which state an act of somebody leads, or why it is not theirs to do, or not to be done now.
func allowed(act string, u *run, p Policy, by record.Actor, able Able) (to string, err error) {
	performed := u.performed(by.ID)
	wants := needs(act, u.State, p, performed)
	if !able.any(wants) {
		return "", &Lacks{Right: wants[0], By: by}
	}
	if to = next(act, u.State, u.Before, p); to == "" {
		return "", notDone("the run %s is %s: %s is not done to it now", u.Run.ID, u.State, wordOf(act))
	}
	switch {
	case fourEyes(act, p) && performed:
		return "", notDone("%s had a part in the run %s: somebody else reviews it", by.Shown(), u.Run.ID)
	case act == record.ActApprove && u.State == record.RunReviewed && u.Reviewer == by.ID:
		return "", notDone("%s reviewed the run %s: somebody else approves it", by.Shown(), u.Run.ID)
	case act == record.ActSubmit && u.State != record.RunReviewAgain && !performed:
		return "", notDone("%s had no part in the run %s: whoever performed it submits it", by.Shown(), u.Run.ID)
	}
	return to, nil
}

// wordOf is an act within a sentence.
func wordOf(act string) string {
	if act == correct {
		return "a correction"
	}
	return act
}

// seen refuses what was decided upon another state of the run than the present one. Looking may be up to an earlier entry.
func (u *run) seen(act string, seen uint64) error {
	switch last := u.last(); {
	case seen == 0:
		return notDone("seen is missing: say which entry of the run was the last that you saw")
	case act == record.ActLook && seen <= last && slices.Contains(u.Entries, seen), seen == last:
		return nil
	default:
		return notDone("the run %s changed meanwhile: its last entry is %d, and you saw it up to %d. Look at it again", u.Run.ID, last, seen)
	}
}

// check says what is missing of an act by itself.
func (a *Act) check() error {
	if a.Reason != "" || needsReason(a.Act) {
		if err := record.CheckReason(a.Reason); err != nil {
			return notDone("the reason %v", err)
		}
	}
	if a.Ref != "" {
		if err := record.CheckContextID(a.Ref); err != nil {
			return notDone("ref, the reference of an investigation, %v", err)
		}
	}
	switch {
	case (a.Other != "") != (a.Act == record.ActReplace):
		return notDone("a run that is replaced has another that stands for it, and no other act has")
	case a.Unseen && a.Act != record.ActApprove:
		return notDone("runs are only approved together, and nothing else is done to several")
	}
	return nil
}

// stands says whether another run can stand for one.
func (r *Room) stands(u *run, other string) (*record.RunRef, error) {
	r.view.Lock()
	defer r.view.Unlock()
	o := r.runs[other]
	switch {
	case o == nil:
		return nil, notDone("no run %.63s is known that could stand for %s", other, u.Run.ID)
	case other == u.Run.ID:
		return nil, notDone("the run %s cannot stand for itself", other)
	case o.Run.Procedure.Name != u.Run.Procedure.Name:
		return nil, notDone("the run %s is of the procedure %s, and %s of %s: it cannot stand for it", other, o.Run.Procedure.Name, u.Run.ID, u.Run.Procedure.Name)
	case slices.Contains([]string{record.RunOpen, record.RunReplaced, record.RunAbandoned}, o.State), o.State == record.RunArchived && o.Before != record.RunApproved:
		return nil, notDone("the run %s is %s: it cannot stand for another", other, o.State)
	}
	ref := o.Run
	return &ref, nil
}

// mayUnseen says why a run is not approved together with others.
func (r *Room) mayUnseen(u *run, act string) error {
	if !r.o.Config().Together {
		return notDone("the rules of this lab have each run looked over by itself")
	}
	if flags := flagsOf(u, r.assessedOf(u)); len(flags) > 0 {
		return notDone("the run %s has flags (%s): it is looked over by itself", u.Run.ID, flags[0])
	}
	return nil
}

// append writes what was decided, with what the lab system that asked for the run hears of it, and waits until that is known here.
func (r *Room) append(ctx context.Context, u *run, signed *record.Signature, body *record.RunReview) error {
	var bodies []record.Body
	if signed != nil {
		bodies = append(bodies, signed)
	}
	bodies = append(bodies, body)
	results := []record.RunResult(nil)
	if told(body.From, body.To) {
		var err error
		if results, err = r.resultsOf(ctx, u); err != nil {
			return err
		}
	}
	bodies = append(bodies, r.answer(u, body.From, body.To, results, body.Verdict, body.Reason, body.By)...)
	_, err := r.view.Append(ctx, bodies...)
	return err
}

// told says whether a lab system hears of a change of state.
func told(from, to string) bool {
	return from != to && slices.Contains([]string{record.RunApproved, record.RunReviewAgain, record.RunReplaced}, to)
}

// answer is what a lab system hears of the run that answers its request.
func (r *Room) answer(u *run, from, to string, results []record.RunResult, verdict, reason string, by record.Actor) []record.Body {
	if u.Request == nil || !told(from, to) {
		return nil
	}
	q, known := r.o.Request(*u.Request)
	if !known {
		return nil // it ended long ago, and whoever sent it is told by what is delivered of the run itself
	}
	return []record.Body{&record.LabRequestChanged{Request: q, Change: to, State: to, Run: u.Run.ID, Results: results, Verdict: verdict, Reason: reason, By: by,
		Stamp: r.o.Stamp()}}
}

// errShort says that an entry of a run is not to be had.
var errShort = errors.New("the journal does not have it")

// read reads one entry of a run.
func (r *Room) read(ctx context.Context, seq uint64) (record.Entry, error) {
	list, err := r.o.Journal.Read(ctx, seq-1, 1)
	if err == nil && (len(list) == 0 || list[0].Seq != seq) {
		err = errShort
	}
	if err != nil {
		return record.Entry{}, fmt.Errorf("entry %d cannot be read: %w", seq, err)
	}
	return list[0], nil
}
