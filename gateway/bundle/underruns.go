package bundle

import (
	"encoding/hex"
	"encoding/json"
	"fmt"

	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/record"
	"weighpost/gateway/signature"
)

// underRuns holds the signatures under every run of a bundle against the entries of that run, as they come: it keeps hashes, and no entries.
// A bundle of one run has its signatures looked at in full: see gateway/signature.
type underRuns struct {
	runs    map[string]*runHeld
	holds   int
	partial int // signatures under runs that began before the bundle
	faults  []string
}

// runHeld is what is known of one run.
type runHeld struct {
	begun   bool
	tree    growing
	lately  []covered // up to the last entry that is no weight, and up to each weight behind it
	pending *record.Signature
}

type covered struct {
	entries, last uint64
	root          tlog.Hash
}

// mostLately is how many weighings may come between what a signature covers and the signature.
const mostLately = 64

func newUnderRuns() *underRuns { return &underRuns{runs: map[string]*runHeld{}} }

// runNamed is the id of the run that an entry is about, or that stands in its context; "": none.
func runNamed(e record.Entry) (id string) {
	_ = record.EachText(e.JSON, func(path [][]byte, text []byte) { // what cannot be read is found elsewhere
		if n := len(path); id == "" && n > 1 && string(path[n-1]) == "id" && string(path[n-2]) == "run" && (n == 2 || n == 3 && string(path[0]) == "context") {
			id = string(text)
		}
	})
	return id
}

func (u *underRuns) fault(s *record.Signature, what string) {
	const most = 20
	switch len(u.faults) {
	case most:
		u.faults = append(u.faults, "There are more such signatures.")
	case most + 1:
	default:
		u.faults = append(u.faults, fmt.Sprintf("The signature of %s in entry %d, under the run %s, does not hold: %s.", plain(s.Name), s.Seq, plain(s.Run.ID), what))
	}
}

// take looks at the next entry.
func (u *underRuns) take(e record.Entry) error {
	id := runNamed(e)
	is, err := signature.Covers(id, e)
	if err != nil || !is || id == "" {
		return err
	}
	r := u.runs[id]
	if r == nil {
		r = &runHeld{}
		u.runs[id] = r
	}
	if e.Kind == record.KindRunBegun {
		r.begun = true
	}
	u.act(r, e)
	if e.Kind == record.KindSignature {
		if err := u.signature(r, e); err != nil {
			return err
		}
	}
	r.tree.add(tlog.RecordHash(e.JSON))
	if weight := e.Kind.Numbered() || e.Kind == record.KindLateEntered; !weight {
		r.lately = nil
	} else if len(r.lately) == mostLately {
		r.lately = r.lately[1:]
	}
	r.lately = append(r.lately, covered{r.tree.size, e.Seq, r.tree.root()})
	return nil
}

// signature looks at what one covers.
func (u *underRuns) signature(r *runHeld, e record.Entry) error {
	s, err := body[record.Signature](e)
	if err != nil {
		return err
	}
	if !r.begun {
		u.partial++
		return nil
	}
	r.pending = &s
	if s.Name != s.By.Shown() || s.Role != s.By.Role {
		u.fault(&s, "it prints another name or role than that of whoever signed")
		return nil
	}
	for _, c := range r.lately {
		if c.entries == s.Covers.Entries && c.last == s.Covers.Last && "sha256:"+hex.EncodeToString(c.root[:]) == s.Covers.Root {
			u.holds++
			return nil
		}
	}
	u.fault(&s, "the entries before it are not those that were signed")
	return nil
}

// act holds the act that a signature was given with against it: it follows at once, and names it.
func (u *underRuns) act(r *runHeld, e record.Entry) {
	s := r.pending
	if s == nil {
		return
	}
	r.pending = nil
	var act record.RunReview
	if e.Kind != record.KindRunReviewed || e.Seq != s.Seq+1 || json.Unmarshal(e.JSON, &act) != nil || act.Signature == nil || act.Signature.ID != s.ID || act.By.ID != s.By.ID {
		u.holds--
		u.fault(s, "the act that it was given with does not follow it")
	}
}

// end says what was found.
func (u *underRuns) end(v *verifier) {
	for _, r := range u.runs {
		if r.pending != nil && r.pending.Seq < v.found.About.Last {
			u.fault(r.pending, "the act that it was given with does not follow it")
		}
	}
	if v.found.About.Of == OfRun {
		v.signatures()
		return
	}
	v.found.Faults = append(v.found.Faults, u.faults...)
	if u.holds > 0 && len(u.faults) == 0 {
		v.shown("The %d signatures under runs cover exactly the entries that came before them.", u.holds)
	}
	if u.partial > 0 {
		v.notShown("What %d signatures cover: their runs began before these entries.", u.partial)
	}
}

// signatures looks in full at those under the one run that the bundle is of.
func (v *verifier) signatures() {
	found, err := signature.Verify(v.found.About.Run, v.covered)
	if err != nil {
		v.fault("The signatures cannot be looked at: %v.", err)
		return
	}
	for _, text := range found.Wrong {
		v.fault("Of the run: %s.", text)
	}
	for _, f := range found.Signatures {
		s := &f.Signature
		who := fmt.Sprintf("The signature of %s (%s), meaning %s", plain(s.Name), localTime(s.Stamp), plain(s.Meaning))
		for _, text := range f.Wrong {
			v.fault("%s, does not hold: %s.", who, text)
		}
		switch {
		case !f.Holds():
		case f.Over != "":
			v.shown("%s, holds, and is no longer in force: %s.", who, f.Over)
		default:
			v.shown("%s, holds: it covers exactly the %d entries of the run before it.", who, s.Covers.Entries)
		}
	}
	if len(found.Signatures) == 0 {
		v.notShown("That anybody signed the run: nobody had, up to entry %d.", v.found.About.Last)
	}
}
