package report_test

import (
	"encoding/json"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/report"
	"weighpost/gateway/signature"
)

// entry is a body as the journal has it. The body has its head already.
func entry(seq uint64, b record.Body) record.Entry {
	b.Identity().Schema = b.Kind().Schema()
	raw, err := json.Marshal(b)
	if err != nil {
		panic(err)
	}
	return record.Entry{Seq: seq, ID: head(seq).ID, Kind: b.Kind(), Balance: b.Subject(), JSON: raw}
}

var (
	theRun = record.RunRef{ID: "r-7qx3-000017", Procedure: record.ProcedureRef{Name: "thousand-seeds", Version: 2, Hash: "sha256:77aa"}}
	theLot = record.RunItem{Sample: "LOT-4711", Lot: "2026-B", Container: "dish 4", Fields: map[string]string{"client": "county nursery"}}
	eve    = record.Actor{ID: "eve", Name: "Eve Lark", Role: "reviewer", By: record.ActorPassword}
	bench  = record.Balance{ID: "b-12", Place: "sorting room", Readability: "0.0001 g", Identity: "confirmed"}
)

func at(seq uint64) record.Stamp { return stamp(time.Duration(seq) * time.Second) }

func weighing(seq uint64, digits string) *record.Weighing {
	return &record.Weighing{Head: head(seq), Balance: bench, Value: record.Value{Digits: digits, Unit: "g", PrintedUnit: "g", Kind: "net", Stability: "stable", Range: "in"}, Stamp: at(seq),
		Context: record.Context{Person: &record.Learnt{ID: "ada", Name: "Ada Quill"}, Sample: &record.Learnt{ID: "LOT-4711"}, Run: &record.Learnt{ID: theRun.ID}}, Fitness: record.Fitness{State: record.InService}}
}

func ref(seq uint64) record.EntryRef { return record.EntryRef{Seq: seq, ID: head(seq).ID} }

// replicates are the masses of the example: eight times 100 seeds.
var replicates = []string{"1.2310", "1.2288", "1.2342", "1.5300", "1.2297", "1.2325", "1.2301", "1.2316"}

// storied is a run with everything that a run can have: a weighing that was excluded, one that was replaced and one that no step used, a
// frame that was not read, a context that was amended, signatures in force and not any more.
func storied() *report.Run {
	var entries []record.Entry
	var steps []report.RunStep
	add := func(seq uint64, b record.Body) { entries = append(entries, entry(seq, b)) }
	begun := &record.RunBegun{Head: head(100), Run: theRun, Balance: &bench, Items: []record.RunItem{theLot}, Parameters: map[string]string{"seeds": "100"}, By: ada, Stamp: at(100)}
	add(100, begun)
	seq, ended := uint64(101), &record.RunEnded{Run: theRun, Balance: &bench, State: record.RunComplete, Verdict: record.CheckFailed, Items: []record.RunItem{theLot}, Begun: ref(100), Balances: []string{"b-12"}, People: []string{"ada"}, By: ada}
	step := func(s *record.RunStep, counts bool) {
		s.Head, s.Run, s.Balance, s.By, s.Stamp, s.Item = head(seq), theRun, &bench, ada, at(seq), &theLot
		add(seq, s)
		steps, ended.Steps, seq = append(steps, report.RunStep{RunStep: s, Counts: counts}), append(ended.Steps, ref(seq)), seq+1
	}
	weigh := func(digits string) record.EntryRef {
		add(seq, weighing(seq, digits))
		seq++
		return ref(seq - 1)
	}
	for i, digits := range replicates {
		w := weigh(digits)
		ended.Weighings = append(ended.Weighings, w)
		step(&record.RunStep{Step: "mass", Does: "weigh", Pass: i + 1, Attempt: 1, Became: record.StepTaken, Weighing: &w, Value: &record.RunValue{Name: "mass", Digits: digits, Unit: "g", How: "weighed"}}, true)
		if i == 2 {
			first := weigh("0.0451")
			step(&record.RunStep{Step: "mass", Does: "weigh", Pass: 4, Attempt: 1, Became: record.StepStopped, Weighing: &first, Why: "another dish was on the pan"}, false)
			add(seq, &record.Unread{Head: head(seq), Balance: record.About{ID: "b-12"}, Frame: []byte("1.2?? g\r\n"), Reason: "the digits cannot be read", Stamp: at(seq)})
			seq++
		}
	}
	ended.Unused = append(ended.Unused, weigh("3.0000"))
	worked := &record.Worked{Formula: "10 * mean(mass)", Inputs: []record.WorkedInput{{Name: "mass", Value: replicates}}, Exact: "12.684875 g", Rounded: "12.68 g", Rule: "to 0.01 g, half to even", Sources: []string{"ISTA, chapter 10 (from memory)"}}
	step(&record.RunStep{Step: "thousand", Does: "compute", Became: record.StepTaken, Value: &record.RunValue{Name: "thousand", Digits: "12.68", Unit: "g", How: "computed"}, Worked: worked}, true)
	ended.Head, ended.Stamp = head(seq), at(seq)
	ended.Results = []record.RunResult{{Name: "thousand", Label: "Thousand-seed weight", Item: &theLot, Digits: "12.68", Unit: "g", Exact: "12.684875 g", Verdict: record.CheckFailed, Limit: "at most 12.50 g"}}
	add(seq, ended)
	seq++
	covered := func() (list []record.Entry) {
		for _, e := range entries {
			if of, err := signature.Covers(theRun.ID, e); of && err == nil {
				list = append(list, e)
			}
		}
		return list
	}
	// review appends an act of the review, and before it the signature that it is given with.
	review := func(act, from, to, reason string, by record.Actor, meaning string) {
		r := &record.RunReview{Run: theRun, Balance: &bench, Act: act, From: from, To: to, Reason: reason, By: by}
		if meaning != "" {
			facts, err := signature.Of(covered())
			if err != nil {
				panic(err)
			}
			facts.Covers = signature.Cover(covered())
			add(seq, &record.Signature{Head: head(seq), Run: theRun, Meaning: meaning, Statement: signature.Statement(facts, signature.Signer{Meaning: meaning, Name: by.Name, Role: by.Role}), Covers: facts.Covers,
				Name: by.Name, Role: by.Role, Login: by.ID, How: record.ShownBoth, By: by, Zone: "Europe/Berlin", Stamp: at(seq)})
			signed := ref(seq)
			r.Signature = &signed
			seq++
		}
		r.Head, r.Stamp = head(seq), at(seq)
		add(seq, r)
		seq++
	}
	review(record.ActSubmit, record.RunComplete, record.RunInReview, "", ada, record.MeansPerformed)
	review(record.ActReturn, record.RunInReview, record.RunReturned, "look at the fourth replicate", eve, "")
	results := []record.RunResult{{Name: "thousand", Label: "Thousand-seed weight", Item: &theLot, Digits: "12.31", Unit: "g", Exact: "12.3112857 g", Verdict: record.CheckPassed, Limit: "at most 12.50 g"}}
	add(seq, &record.RunCorrected{Head: head(seq), Run: theRun, Balance: &bench, Change: record.CorrectExclude, Of: ended.Weighings[3], Reason: "spilt", Comment: "seeds of the next lot had fallen into the dish", Ref: "INV-12", From: record.RunReturned, To: record.RunReturned,
		Was: ended.Results, Results: results, Verdict: record.CheckPassed, Excluded: ended.Weighings[3:4], By: ada, Stamp: at(seq),
		Worked: []record.Reworked{{Step: "mass", Pass: 4, Why: "its weighing is not used: spilt"}, {Step: "thousand", Value: record.RunValue{Digits: "12.31", Unit: "g"}, Worked: &record.Worked{Formula: worked.Formula, Inputs: []record.WorkedInput{{Name: "mass", Value: append(append([]string{}, replicates[:3]...), replicates[4:]...)}},
			Exact: "12.3112857 g", Rounded: "12.31 g", Rule: worked.Rule, Excluded: []string{"1.5300 g, weighing " + ended.Weighings[3].ID}}}}})
	seq++
	add(seq, &record.RunCorrected{Head: head(seq), Run: theRun, Change: record.CorrectAmend, Of: ended.Weighings[0], Field: record.ItemSample, Before: "LOT-4711", After: "LOT-4712", Reason: "wrong sample", Comment: "the label had been misread", From: record.RunReturned, To: record.RunReturned,
		Was: results, Results: results, Verdict: record.CheckPassed, By: ada, Stamp: at(seq)})
	seq++
	review(record.ActSubmit, record.RunReturned, record.RunInReview, "", ada, "")
	review(record.ActApprove, record.RunInReview, record.RunApproved, "", eve, record.MeansReviewed)
	return &report.Run{Told: report.Told{Site: "seed-bank", Version: "1.2.3", Entries: entries}, Begun: begun, Ended: ended, Steps: steps, Title: "Thousand-seed weight",
		Cautions: []string{"Dust of dressed seeds harms: work below the hood."}, Labels: map[string]string{"mass": "Mass of 100 seeds", "thousand": "Thousand-seed weight"}}
}

// issued is a report with a number.
func issued(t *report.Told, of string) {
	c := report.Default()
	t.Template, _ = c.Template(of, "")
	t.Number, t.Replaces, t.Why = "rep-7qx3-000004", "rep-7qx3-000003", "a weighing was excluded"
	t.Issued = &report.Issue{Stamp: at(3600), By: eve}
}
