package report

import (
	"cmp"
	"fmt"
	"slices"

	"weighpost/gateway/record"
)

// meanings are what a signature means, in a sentence (21 CFR 11.50(a)(3)).
var meanings = map[string]string{record.MeansPerformed: "performed: I have performed this, and looked it over", record.MeansReviewed: "reviewed", record.MeansApproved: "approved"}

// inForce are the states in which signatures hold.
var inForce = []string{record.RunInReview, record.RunReviewed, record.RunApproved, record.RunArchived}

// stands says whether a signature is in force: the run is in a state in which signatures hold, and nothing since then has taken them away.
func (s *sorted) stands(sig *record.Signature, state string) string {
	for _, c := range s.corrected {
		if c.Run.ID == sig.Run.ID && c.Seq > sig.Seq {
			return fmt.Sprintf("NO LONGER IN FORCE: the run was changed (%s) by %s on %s", c.Change, known(c.By.Shown()), when(c.Stamp))
		}
	}
	for _, r := range s.reviewed {
		if r.Run.ID == sig.Run.ID && r.Seq > sig.Seq && slices.Contains([]string{record.RunReturned, record.RunReviewAgain, record.RunReplaced}, r.To) {
			return fmt.Sprintf("NO LONGER IN FORCE: the run %s, from %s on", map[string]string{record.RunReturned: "was returned", record.RunReviewAgain: "needs review again", record.RunReplaced: "was replaced"}[r.To], when(r.Stamp))
		}
	}
	if !slices.Contains(inForce, state) {
		return "NO LONGER IN FORCE: the run is " + state
	}
	return "in force"
}

// signatures shows printed name, date and time with the zone, and meaning of every signature (21 CFR 11.50(a) and (b)).
func (s *sorted) signatures(state func(run string) string, several bool) Section {
	sec := Section{Name: "Signatures"}
	if len(s.signed) == 0 {
		sec.Notes = []string{"It is not signed."}
		return sec
	}
	t := &Table{Heads: []Head{{"Name, role", 0.18, false}, {"Meaning", 0.16, false}, {"Date and time", 0.23, false}, {"In force", 0.21, false}, {"What it covers", 0.22, false}}}
	for _, sig := range s.signed {
		stands := s.stands(sig, state(sig.Run.ID))
		covers := fmt.Sprintf("%d entries up to %d, root %s\nentry %s", sig.Covers.Entries, sig.Covers.Last, sig.Covers.Root, sig.ID)
		if several {
			covers = "run " + sig.Run.ID + ": " + covers
		}
		t.Rows = append(t.Rows, Row{Out: stands != "in force", Cells: []string{known(sig.Name) + "\n" + known(sig.Role) + "\n" + known(sig.By.ID), cmp.Or(meanings[sig.Meaning], known(sig.Meaning)),
			When(sig.Stamp) + "\n" + known(sig.Zone), stands, covers}})
	}
	sec.Table = t
	sec.Notes = []string{"Names and roles are those at the time of signing. What each of them signed is in its entry, word for word."}
	return sec
}
