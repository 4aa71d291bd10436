package signature

import (
	"encoding/json"
	"fmt"

	"weighpost/gateway/record"
)

// Finding is what is found of one signature.
type Finding struct {
	Entry     record.EntryRef
	Signature record.Signature
	// Wrong says, in sentences, why the signature does not hold; none: it does.
	Wrong []string
	// Over says why a signature that holds is no longer in force; "": it is.
	Over string
	// Between is how many entries with weights reached the journal while it was signed: it does not cover them.
	Between int
}

// Holds says whether the signature is as it was given, under what it was given for.
func (f Finding) Holds() bool { return len(f.Wrong) == 0 }

// InForce says whether whoever gave it still stands by the run as it is.
func (f Finding) InForce() bool { return f.Holds() && f.Over == "" }

// Verified is what is found of a run's signatures.
type Verified struct {
	Run        string
	Signatures []Finding
	Wrong      []string // about the entries themselves, in sentences
	Entries    int      // that were looked at
	After      int      // of them, that came after what the last signature that holds covers, that signature included
}

// Holds says whether nothing is wrong with the entries or any signature.
func (v Verified) Holds() bool {
	for _, f := range v.Signatures {
		if !f.Holds() {
			return false
		}
	}
	return len(v.Wrong) == 0
}

// Verify says of each signature under a run whether it covers what is there. entries are all that the run is said to have, as exact
// bytes, in the order of the journal; one that is missing after the last signature cannot be found. The error says that one of them is
// no entry.
func Verify(run string, entries [][]byte) (Verified, error) {
	v := Verified{Run: run, Entries: len(entries)}
	var list []record.Entry
	ids := map[string]bool{}
	for i, text := range entries {
		e, err := record.ParseEntry(text)
		if err != nil {
			return v, fmt.Errorf("entry %d of the run: %w", i+1, err)
		}
		covered, err := Covers(run, e)
		if err != nil {
			return v, err
		}
		switch {
		case !covered:
			v.wrong("entry %d (%s) is not of the run %s", e.Seq, e.Kind, run)
		case ids[e.ID]:
			v.wrong("the entry %s is there more than once", e.ID)
		case len(list) > 0 && list[len(list)-1].Seq >= e.Seq:
			v.wrong("entry %d comes behind entry %d", e.Seq, list[len(list)-1].Seq)
		}
		ids[e.ID] = true
		list = append(list, e)
	}
	for i, e := range list {
		if e.Kind == record.KindRunReviewed {
			if err := v.checkNamed(list, i); err != nil {
				return v, err
			}
		}
		if e.Kind != record.KindSignature {
			continue
		}
		f, err := one(run, list, i)
		if err != nil {
			return v, err
		}
		if v.Signatures = append(v.Signatures, f); f.Holds() {
			v.After = len(list) - int(f.Signature.Covers.Entries)
		}
	}
	return v, nil
}

func (v *Verified) wrong(format string, a ...any) {
	v.Wrong = append(v.Wrong, fmt.Sprintf(format, a...))
}

// checkNamed holds an act that says that it was signed against the entry in front of it.
func (v *Verified) checkNamed(list []record.Entry, at int) error {
	return read(list[at], func(r *record.RunReview) {
		if s := r.Signature; s != nil && (at == 0 || list[at-1].Kind != record.KindSignature || list[at-1].ID != s.ID || list[at-1].Seq != s.Seq) {
			v.wrong("entry %d (%s) was signed, and the signature that it names, %s, is not there before it", list[at].Seq, r.Act, s.ID)
		}
	})
}

// one looks at the signature at a place of the list.
func one(run string, list []record.Entry, at int) (Finding, error) {
	e := list[at]
	f := Finding{Entry: record.EntryRef{Seq: e.Seq, ID: e.ID}}
	s := &f.Signature
	if err := json.Unmarshal(e.JSON, s); err != nil {
		return f, fmt.Errorf("the signature in entry %d cannot be read: %w", e.Seq, err)
	}
	wrong := func(format string, a ...any) { f.Wrong = append(f.Wrong, fmt.Sprintf(format, a...)) }
	if s.Run.ID != run {
		wrong("it is under the run %s", s.Run.ID)
	}
	if Meaning(s.Meaning) == "" || s.Name == "" || s.By.ID == "" {
		wrong("it does not say who signed, or what it means")
	}
	if s.Name != s.By.Shown() || s.Role != s.By.Role {
		wrong("the name or role that it prints is not that of whoever signed, %s (%s)", s.By.Shown(), s.By.ID)
	}
	n := at
	if s.Covers.Entries < uint64(at) {
		n = int(s.Covers.Entries)
	}
	covered := list[:n]
	f.checkCovered(covered, uint64(at), wrong)
	for _, between := range list[n:at] {
		if f.Between++; !weight(between.Kind) {
			wrong("entry %d (%s) is behind what it covers and before it: it was signed elsewhere, or that entry was put there", between.Seq, between.Kind)
		}
	}
	f.checkAct(list[at+1:], wrong)
	for _, later := range list[at+1:] {
		over, err := endedBy(later)
		if err != nil {
			return f, err
		}
		if over != "" && f.Over == "" {
			f.Over = over
		}
	}
	return f, nil
}

// weight says whether entries of a kind come from a balance or a slip, whoever signs meanwhile.
func weight(k record.Kind) bool {
	return k == record.KindWeighing || k == record.KindResult || k == record.KindLateEntered
}

// checkCovered holds the entries before a signature against what it covers, and its statement against what they say.
func (f *Finding) checkCovered(covered []record.Entry, before uint64, wrong func(string, ...any)) {
	s := &f.Signature
	if s.Covers.Entries > before {
		wrong("it covers %d entries of the run, and %d are there before it", s.Covers.Entries, before)
		return
	}
	if got := Cover(covered); got != s.Covers {
		wrong("the entries before it are not those that were signed: one was altered, left out, added or moved, or the signature is from another run")
	}
	facts, err := Of(covered)
	if err != nil {
		wrong("what it covers is no run that could be signed: %v", err)
		return
	}
	facts.Covers = s.Covers
	if Statement(facts, Signer{Meaning: s.Meaning, Name: s.Name, Role: s.Role}) != s.Statement {
		wrong("its statement does not say what the entries that it covers say")
	}
	if facts.Run != s.Run {
		wrong("it names another version of the procedure than the run went by")
	}
}

// checkAct looks for the act that was signed: it comes just behind its signature, in the same commit, and names it.
func (f *Finding) checkAct(after []record.Entry, wrong func(string, ...any)) {
	if len(after) == 0 || after[0].Seq != f.Entry.Seq+1 || after[0].Kind != record.KindRunReviewed {
		wrong("the act that it was given with does not follow it")
		return
	}
	var r record.RunReview
	if err := json.Unmarshal(after[0].JSON, &r); err != nil || r.Signature == nil || *r.Signature != f.Entry {
		wrong("the act that follows it does not name it")
		return
	}
	if r.By.ID != f.Signature.By.ID || !goes(r.Act, f.Signature.Meaning) {
		wrong("the act that follows it, %s by %s, is not one that it could be given with", r.Act, r.By.ID)
	}
}

// goes says whether a signature of a meaning is given with an act.
func goes(act, meaning string) bool {
	switch act {
	case record.ActSubmit:
		return meaning == record.MeansPerformed || meaning == record.MeansReviewed
	case record.ActReview:
		return meaning == record.MeansReviewed
	case record.ActApprove:
		return meaning == record.MeansReviewed || meaning == record.MeansApproved
	}
	return false
}
