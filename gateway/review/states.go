package review

import (
	"slices"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Policy is by whom runs of a procedure are approved.
type Policy struct {
	Approvals  int  // how many people sign, 1 or 2
	SamePerson bool // whoever performed a run may review it
}

// All that can be done to a run that is complete, or was abandoned, is in two tables: which act leads from which states to which, and which
// right it needs. The states are those of DESIGN, and no others.

// move is an act that leads from some states to one.
type move struct {
	act  string
	from []string
	to   string // "": the state stays
}

var (
	signedStates = []string{record.RunReviewed, record.RunApproved}
	// ended are the states in which the steps of a run are over.
	ended = []string{record.RunComplete, record.RunAbandoned, record.RunInReview, record.RunReturned, record.RunReviewed, record.RunApproved,
		record.RunReviewAgain, record.RunReplaced, record.RunArchived}
)

var moves = []move{
	{record.ActSubmit, []string{record.RunComplete, record.RunReturned, record.RunReviewAgain}, record.RunInReview},
	{record.ActReturn, []string{record.RunInReview, record.RunReviewed}, record.RunReturned},
	{record.ActReview, []string{record.RunInReview}, record.RunReviewed},
	{record.ActApprove, []string{record.RunInReview, record.RunReviewed}, record.RunApproved},
	{record.ActReplace, []string{record.RunComplete, record.RunInReview, record.RunReturned, record.RunReviewed, record.RunApproved, record.RunReviewAgain,
		record.RunAbandoned}, record.RunReplaced},
	{record.ActArchive, []string{record.RunApproved, record.RunAbandoned, record.RunReplaced}, record.RunArchived},
	{record.ActUnarchive, []string{record.RunArchived}, ""}, // to the state before
	{record.ActLook, ended, ""},
	{record.ActDoubt, signedStates, record.RunReviewAgain},
	{correct, []string{record.RunComplete, record.RunReturned, record.RunInReview, record.RunReviewAgain}, ""},
	{correct, signedStates, record.RunReviewAgain},
}

// correct stands for the four kinds of correction, which are alike in where they lead.
const correct = "correct"

// next gives the state that an act leads to, or "" where it is not done in that state. before is the state before a run was archived.
func next(act, state, before string, p Policy) string {
	switch {
	case act == record.ActReview && p.Approvals < 2,
		act == record.ActApprove && (p.Approvals < 2) != (state == record.RunInReview):
		return ""
	}
	for _, m := range moves {
		if m.act == act && slices.Contains(m.from, state) {
			switch {
			case act == record.ActUnarchive:
				return before
			case m.to == "":
				return state
			}
			return m.to
		}
	}
	return ""
}

// needs gives the rights of which one is needed for an act in a state, where somebody performed the run, or did not. None: nobody may.
func needs(act, state string, p Policy, performed bool) []rights.Right {
	switch act {
	case record.ActSubmit:
		switch {
		case state == record.RunReviewAgain && performed:
			return []rights.Right{rights.Run, rights.ReviewRuns}
		case state == record.RunReviewAgain:
			return []rights.Right{rights.ReviewRuns}
		}
		return []rights.Right{rights.Run}
	case correct:
		if performed && slices.Contains([]string{record.RunComplete, record.RunReturned, record.RunReviewAgain}, state) {
			return []rights.Right{rights.Run, rights.ReviewRuns}
		}
		return []rights.Right{rights.ReviewRuns}
	case record.ActApprove:
		if p.Approvals > 1 {
			return []rights.Right{rights.ApproveRuns}
		}
		return []rights.Right{rights.ReviewRuns}
	case record.ActArchive, record.ActUnarchive:
		return []rights.Right{rights.ApproveRuns}
	case record.ActReturn, record.ActReview, record.ActReplace, record.ActLook:
		return []rights.Right{rights.ReviewRuns}
	}
	return nil
}

// fourEyes says whether an act is not for whoever performed the run.
func fourEyes(act string, p Policy) bool {
	return !p.SamePerson && slices.Contains([]string{record.ActReturn, record.ActReview, record.ActApprove}, act)
}

// meaningOf is what a signature under an act means; "": the act is not signed. submitSigned: the lab wants it signed when it is submitted.
func meaningOf(act string, p Policy, performed, submitSigned bool) string {
	switch {
	case act == record.ActSubmit && !submitSigned, act != record.ActSubmit && act != record.ActReview && act != record.ActApprove:
		return ""
	case act == record.ActSubmit && performed:
		return record.MeansPerformed
	case act == record.ActApprove && p.Approvals > 1:
		return record.MeansApproved
	}
	return record.MeansReviewed
}

// needsReason says whether an act is done for a reason only.
func needsReason(act string) bool {
	return slices.Contains([]string{record.ActReturn, record.ActReplace, record.ActArchive, record.ActUnarchive}, act)
}
