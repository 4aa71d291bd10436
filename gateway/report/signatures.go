package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"weighpost/gateway/record"
	"weighpost/gateway/signature"
)

// inForce are the states in which signatures hold.
var inForce = []string{record.RunInReview, record.RunReviewed, record.RunApproved, record.RunArchived}

// force is what stands for a signature that holds and is in force.
const force = "in force"

// stands says whether a signature is in force: the run is in a state in which signatures hold, and nothing since then has taken them away.
func (s *sorted) stands(sig *record.Signature, state string) string {
	over, seq := "", uint64(math.MaxUint64)
	later := func(run string, at uint64, b record.Body) {
		if run == sig.Run.ID && at > sig.Seq && at < seq {
			if why := signature.Ends(b); why != "" {
				over, seq = why, at
			}
		}
	}
	for _, c := range s.corrected {
		later(c.Run.ID, c.Seq, c)
	}
	for _, r := range s.reviewed {
		later(r.Run.ID, r.Seq, r)
	}
	switch {
	case over != "":
		return "NO LONGER IN FORCE: " + over
	case !slices.Contains(inForce, state):
		return "NO LONGER IN FORCE: the run is " + state
	}
	return force
}

// verified holds the signatures of the run against its entries: what is wrong with one, by its id.
func (r *Run) verified() map[string]string {
	var covered [][]byte
	for _, e := range r.Entries {
		if of, err := signature.Covers(r.Ended.Run.ID, e); of && err == nil {
			covered = append(covered, e.JSON)
		}
	}
	wrong := map[string]string{}
	found, err := signature.Verify(r.Ended.Run.ID, covered)
	for _, f := range found.Signatures {
		if !f.Holds() {
			wrong[f.Entry.ID] = "DOES NOT HOLD: " + strings.Join(f.Wrong, "; ")
		}
	}
	for _, sig := range r.signed {
		if err != nil {
			wrong[sig.ID] = "NOT VERIFIED: " + err.Error()
		}
	}
	return wrong
}

// standing is a signature of the run, and how it stands: force, or why it is none.
type standing struct {
	sig    *record.Signature
	stands string
}

func (r *Run) standing() (list []standing) {
	wrong, state := r.verified(), r.State()
	for _, sig := range r.signed {
		list = append(list, standing{sig, cmp.Or(wrong[sig.ID], r.stands(sig, state))})
	}
	return list
}

// zoned is an instant by the clocks of the place with their offset (RFC 3339).
func zoned(s record.Stamp) string {
	at, _ := s.There()
	return at.Format("2006-01-02T15:04:05.000000Z07:00")
}

// signatures shows printed name, date and time with the zone, and meaning of every signature (21 CFR 11.50(a) and (b)).
// wrong says what is wrong with one, by its id; several, that they are of several runs.
func (s *sorted) signatures(state func(run string) string, wrong map[string]string, several bool) Section {
	sec := Section{Name: "Signatures"}
	if len(s.signed) == 0 {
		sec.Notes = []string{"It is not signed."}
		return sec
	}
	t := &Table{Heads: []Head{{"Name, role", 0.18, false}, {"Meaning", 0.16, false}, {"Date and time", 0.23, false}, {"In force", 0.21, false}, {"What it covers", 0.22, false}}}
	for _, sig := range s.signed {
		stands := cmp.Or(wrong[sig.ID], s.stands(sig, state(sig.Run.ID)))
		covers := fmt.Sprintf("%d entries up to %d, root %s\nentry %s", sig.Covers.Entries, sig.Covers.Last, sig.Covers.Root, sig.ID)
		if several {
			covers = "run " + sig.Run.ID + ": " + covers
		}
		t.Rows = append(t.Rows, Row{Out: stands != force, Cells: []string{known(sig.Name) + "\n" + known(sig.Role) + "\n" + known(sig.By.ID), known(strings.TrimSuffix(sig.Meaning+": "+signature.Meaning(sig.Meaning), ": ")),
			When(sig.Stamp) + "\n" + known(sig.Zone), stands, covers}})
	}
	sec.Table = t
	sec.Notes = []string{"Names and roles are those at the time of signing. What each of them signed is in its entry, word for word."}
	return sec
}
