package signature

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// book is a journal of entries in memory: the exact bytes of each, of several runs.
type book struct {
	t    testing.TB
	list []record.Entry
}

var (
	balance = record.Balance{ID: "b-12"}
	anna    = record.Actor{ID: "anna", Name: "Anna Lind", Role: "operator", By: record.ActorPassword, Where: "page"}
	bela    = record.Actor{ID: "bela", Name: "Bela Sol", Role: "reviewer", By: record.ActorPassword, Where: "page"}
	cora    = record.Actor{ID: "cora", Name: "Cora Ek", Role: "quality", By: record.ActorPassword, Where: "page"}
)

func runRef(id string) record.RunRef {
	return record.RunRef{ID: id, Procedure: record.ProcedureRef{Name: "seed-moisture", Version: 2, Hash: "sha256:00ff"}}
}

func (b *book) stamp() record.Stamp {
	at := time.Date(2026, 11, 30, 9, 0, len(b.list), 0, time.UTC)
	return record.Stamp{UTC: record.UTC(at), Zone: "+01:00", Clock: record.ClockChecked, Sources: 3}
}

// add appends as the journal does.
func (b *book) add(body record.Body) record.EntryRef {
	b.t.Helper()
	seq := uint64(100 + 3*len(b.list)) // other entries stand between
	if r, is := body.(*record.RunReview); is && r.Signature != nil {
		seq = r.Signature.Seq + 1 // one commit
	}
	ref := record.EntryRef{Seq: seq, ID: record.EntryID("north-lab", "7qx3", "", seq)}
	*body.Identity() = record.Head{Schema: body.Kind().Schema(), ID: ref.ID, Seq: seq, Site: "north-lab"}
	text, err := json.Marshal(body)
	if err != nil {
		b.t.Fatal(err)
	}
	e, err := record.ParseEntry(text)
	if err != nil {
		b.t.Fatal(err)
	}
	b.list = append(b.list, e)
	return ref
}

// of gives the entries of a run.
func (b *book) of(run string) (list []record.Entry) {
	b.t.Helper()
	for _, e := range b.list {
		yes, err := Covers(run, e)
		if err != nil {
			b.t.Fatal(err)
		}
		if yes {
			list = append(list, e)
		}
	}
	return list
}

// weigh performs a run of two weighings whose net is its result.
func (b *book) weigh(run string) {
	ref := runRef(run)
	items := []record.RunItem{{Sample: "lot-7 of " + run, Lot: "L-7"}}
	begun := b.add(&record.RunBegun{Run: ref, Balance: &balance, Items: items, By: anna, Stamp: b.stamp()})
	var weighings, steps []record.EntryRef
	for i, digits := range []string{"10.0012", "14.5034"} {
		w := b.add(&record.Weighing{Balance: balance, Value: record.Value{Digits: digits, Unit: "g"}, Stamp: b.stamp(),
			Context: record.Context{Run: &record.Learnt{ID: run, By: record.FromRun}}})
		weighings = append(weighings, w)
		steps = append(steps, b.add(&record.RunStep{Run: ref, Balance: &balance, Step: fmt.Sprintf("weigh-%d", i+1), Became: record.StepTaken, Weighing: &w,
			Value: &record.RunValue{Digits: digits, Unit: "g", How: "weighed"}, By: anna, Stamp: b.stamp()}))
	}
	b.add(&record.RunEnded{Run: ref, Balance: &balance, State: record.RunComplete, Verdict: "passed", Items: items, Begun: begun, Steps: steps, Weighings: weighings,
		Results: []record.RunResult{{Name: "net", Label: "net weight", Item: &items[0], Digits: "4.5022", Unit: "g", Verdict: "passed", Limit: "at least 4.5 g", Entry: &steps[1]}},
		By:      anna, Stamp: b.stamp()})
}

// act does one act of the review, signed where it has a meaning.
func (b *book) act(run, act, from, to, meaning string, by record.Actor) {
	b.t.Helper()
	var ref *record.EntryRef
	if meaning != "" {
		one := b.sign(run, meaning, by)
		ref = &one
	}
	b.add(&record.RunReview{Run: runRef(run), Balance: &balance, Act: act, From: from, To: to, Signature: ref, Reason: "as the rules of the lab say", By: by, Stamp: b.stamp()})
}

func (b *book) sign(run, meaning string, by record.Actor) record.EntryRef {
	b.t.Helper()
	facts, err := Of(b.of(run))
	if err != nil {
		b.t.Fatal(err)
	}
	return b.add(&record.Signature{Run: facts.Run, Balance: &balance, Meaning: meaning, Statement: Statement(facts, Signer{meaning, by.Name, by.Role}),
		Covers: facts.Covers, Name: by.Name, Role: by.Role, Login: by.ID, How: record.ShownBoth, Session: "s-1", By: by, Zone: "Europe/Stockholm", Stamp: b.stamp()})
}

func (b *book) exclude(run string) {
	w := b.of(run)[1]
	b.add(&record.RunCorrected{Run: runRef(run), Change: record.CorrectExclude, Of: record.EntryRef{Seq: w.Seq, ID: w.ID}, Reason: "spilt", Comment: "seeds on the pan",
		From: record.RunComplete, To: record.RunComplete, Results: []record.RunResult{{Name: "net", Verdict: record.NotJudged, Text: ""}}, Verdict: record.NotJudged,
		Excluded: []record.EntryRef{{Seq: w.Seq, ID: w.ID}}, By: anna, Stamp: b.stamp()})
}

// signed performs a run, with a weighing excluded, and has it submitted, reviewed and approved: three signatures.
func (b *book) signed(run string) {
	b.t.Helper()
	b.weigh(run)
	b.exclude(run)
	b.act(run, record.ActSubmit, record.RunComplete, record.RunInReview, record.MeansPerformed, anna)
	b.act(run, record.ActLook, record.RunInReview, record.RunInReview, "", bela)
	b.act(run, record.ActReview, record.RunInReview, record.RunReviewed, record.MeansReviewed, bela)
	b.act(run, record.ActApprove, record.RunReviewed, record.RunApproved, record.MeansApproved, cora)
}

func verified(t testing.TB, run string, entries [][]byte) Verified {
	t.Helper()
	v, err := Verify(run, entries)
	if err != nil {
		return Verified{Wrong: []string{err.Error()}}
	}
	return v
}
