package screens

import (
	"context"
	"errors"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// ran is runs as a test has them.
type ran struct {
	mu    sync.Mutex
	views []console.RunView
	asked []console.RunsAsked
	next  string
	fails error
	acts  []string
	acted func(act console.RunAct) error
}

func (f *ran) set(v console.RunView) {
	f.mu.Lock()
	defer f.mu.Unlock()
	i := slices.IndexFunc(f.views, func(x console.RunView) bool { return x.ID == v.ID })
	if i < 0 {
		f.views = append(f.views, v)
		return
	}
	f.views[i] = v
}

func (f *ran) Runs(_ context.Context, q console.RunsAsked) (l console.RunList, err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.asked = append(f.asked, q)
	for _, v := range f.views {
		if (q.State == "" || q.State == v.State) && (q.Sample == "" || slices.ContainsFunc(v.Items, func(i record.RunItem) bool { return i.Sample == q.Sample })) {
			l.Runs = append(l.Runs, v.RunGlance)
		}
	}
	if q.State == "" {
		l.Next = f.next
	}
	return l, f.fails
}

func (f *ran) Run(_ context.Context, id string) (console.RunView, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, v := range f.views {
		if v.ID == id {
			return v, f.fails
		}
	}
	return console.RunView{}, record.ErrNoRun
}

func (f *ran) RunAt(balance string) (console.RunView, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, v := range f.views {
		if v.Balance == balance && v.State == record.RunOpen {
			return v, true
		}
	}
	return console.RunView{}, false
}

func (f *ran) BeginRun(context.Context, console.RunOrder, record.Actor) (console.RunView, error) {
	panic("a page begins nothing")
}

func (f *ran) ActOnRun(context.Context, string, console.RunAct, record.Actor) (console.RunView, error) {
	panic("a page does nothing to a run")
}

// asks is what pages may ask of procedures.
type asks = console.Procedures

// taught are procedures as a test has them: what a page may not ask panics.
type taught struct {
	asks
	list []console.ProcedureView
	form map[string]any
}

func (t taught) Procedures() []console.ProcedureView { return t.list }
func (t taught) Procedure(name string) (console.ProcedureView, bool) {
	i := slices.IndexFunc(t.list, func(p console.ProcedureView) bool { return p.Name == name })
	if i < 0 {
		return console.ProcedureView{}, false
	}
	return t.list[i], true
}
func (t taught) ProcedureText(name string, version int) (string, error) {
	if version != 3 {
		return "", errors.New("another version was asked for")
	}
	return "procedure: " + name, nil
}
func (t taught) JudgeProcedure(string) console.ProcedureJudged {
	return console.ProcedureJudged{Form: t.form}
}

var (
	seeds = record.ProcedureRef{Name: "thousand-seed-mass", Version: 3, Hash: "sha256:3f1c"}
	ada   = record.Actor{ID: "ada", Name: "Ada Quill", By: record.ActorPassword}
)

func sampleItem(id string) *record.RunItem { return &record.RunItem{Sample: id} }

// anOpenRun weighs a hundred seeds of a lot towards a target, and was stopped at a wrong container before.
func anOpenRun() console.RunView {
	step := func(name, became string, counts bool, value *record.RunValue, more func(*record.RunStep)) console.RunStepView {
		s := &record.RunStep{Head: record.Head{Seq: 41}, Step: name, Became: became, Value: value, By: ada, Attempt: 1, Balance: &record.Balance{ID: "b-12", Serial: "SB-4410"}, Stamp: record.Stamp{UTC: day(29)}}
		if more != nil {
			more(s)
		}
		return console.RunStepView{RunStep: s, Counts: counts}
	}
	v := console.RunView{RunGlance: console.RunGlance{RunRef: record.RunRef{ID: "r-7qx3-000017", Procedure: seeds}, Title: "Mass of a thousand seeds " + hostile, State: record.RunOpen, Begun: day(29), By: ada,
		Balance: "b-12", Items: []record.RunItem{{Sample: "LOT-1004", Lot: "2026 " + hostile}, {Sample: "LOT-1005"}}, Say: "Pour seeds until the target is reached."}, Seq: 90}
	v.Next = console.RunInstruction{Step: "pour", Do: "weigh", Number: 3, Of: 9, Pass: 2, Passes: 8, Say: "Pour seeds until the target is reached. " + hostile, Item: &v.Items[0], Waiting: "weight", Unit: "g", CanTake: true,
		Target: &console.RunTarget{Unit: "g", Wanted: "12.5000", Low: "12.4500", High: "12.5500", Offset: "0.1234"}, Left: []record.RunItem{{Sample: "LOT-1005"}}, MayBack: "count_seeds", Note: "C-99 is not in this run " + hostile}
	v.Cautions = []string{"Seeds take up water from the air " + hostile}
	v.Steps = []console.RunStepView{
		step("scan_lot", record.StepTaken, true, &record.RunValue{Text: "LOT-1004", How: "scanned"}, nil),
		step("gross", record.StepTaken, false, &record.RunValue{Digits: "12.1111", Unit: "g", How: "weighed"}, func(s *record.RunStep) { s.Pass = 1 }),
		step("gross", record.StepReplaced, false, nil, func(s *record.RunStep) { s.Reason = "a seed fell off " + hostile; s.Pass = 1 }),
		step("gross", record.StepTaken, true, &record.RunValue{Digits: "12.3450", Unit: "g", How: "weighed"}, func(s *record.RunStep) {
			s.Pass, s.Attempt = 1, 2
			s.Weighing = &record.EntryRef{Seq: 40, ID: "seed-bank/7qx3/b-12/000184"}
			s.Verdicts = []record.Verdict{{Rule: "limits", Pass: false, Limit: "12.4 g to 12.6 g", From: "the lab's own"}}
		}),
		step("mean", record.StepTaken, true, &record.RunValue{Digits: "12.35", Unit: "g", How: "computed"}, func(s *record.RunStep) {
			s.Worked = &record.Worked{Formula: "mean(gross) " + hostile, Inputs: []record.WorkedInput{{Name: "gross", Value: []string{"12.3450 g"}}}, Exact: "12.345 g", Rounded: "12.35 g", Rule: "to 0.01 g, half to even", Sources: []string{"a table"}}
		}),
		step("allow", record.StepAllowed, true, nil, func(s *record.RunStep) {
			s.By = record.Actor{ID: "ben", Name: "Ben Sorrel"}
			s.Reason, s.Ref = "it was agreed", "INV-7"
		}),
		step("", record.RunHandedOver, true, nil, nil),
	}
	return v
}

func anEndedRun() console.RunView {
	v := anOpenRun()
	ended := day(30)
	v.ID, v.State, v.Verdict, v.Next = "r-7qx3-000016", record.RunComplete, record.CheckFailed, console.RunInstruction{Waiting: "ended"}
	v.RunGlance.Ended, v.Balance = &ended, ""
	v.Request = &record.RequestRef{From: "lims", ID: "R-88"}
	v.Parameters = map[string]string{"seeds_per_count": "100"}
	v.Results = []record.RunResult{{Name: "mass_1000", Label: "Mass of a thousand seeds", Item: sampleItem("LOT-1004"), Digits: "123.5", Unit: "g", Exact: "123.45 g", Verdict: record.CheckFailed, Limit: "120 g to 123 g " + hostile, Allowed: "it was agreed"}}
	v.Unused = []record.EntryRef{{ID: "seed-bank/7qx3/b-12/000185"}}
	return v
}

func runLab(t *testing.T, f *ran, more func(*Deps)) *lab {
	deps := Deps{Source: twoBalances(), Benches: benches{}, Runs: f, Procedures: taught{list: []console.ProcedureView{
		{Name: "thousand-seed-mass", Title: "Mass of a thousand seeds", Adopted: 3, Versions: []console.ProcedureVersion{{ProcedureRef: record.ProcedureRef{Name: "thousand-seed-mass", Version: 4}}, {ProcedureRef: seeds}}},
		{Name: "ash", Title: "Ash"}}, form: map[string]any{"title": "x", "about": "both", "most": 40, "cautions": []string{"hot " + hostile}, "parameters": []map[string]any{
		{"name": "per_count", "kind": "quantity", "unit": "1", "default": "100"}, {"name": "mass", "label": "Wanted mass", "unit": "g", "default": "10 g", "limits": map[string]any{"at_least": "1 g", "from": "SOP 7"}},
		{"name": "way", "kind": "choice", "choices": []string{"by hand", hostile}}}, "balances": map[string]any{"fine": map[string]any{"readability": "0.1 mg"}}}}}
	if more != nil {
		more(&deps)
	}
	return newLab(t, deps)
}

// TestRunsAreListedOpenFirst: what each waits for, where and by whom; those that ended with their outcome; a search; the empty page.
func TestRunsAreListedOpenFirst(t *testing.T) {
	aside := anOpenRun()
	due := record.UTC(time.Now().Add(time.Hour))
	aside.ID, aside.Balance, aside.Aside, aside.Due, aside.Items = "r-7qx3-000015", "", true, &due, nil
	f := &ran{views: []console.RunView{anOpenRun(), aside, anEndedRun()}, next: "r-7qx3-000001"}
	l := runLab(t, f, nil)
	_, body := l.get(t, "/runs", as(rights.Operator))
	wants(t, "the list", body, []string{"Open (2)", "Pour seeds until the target is reached.", "at <b>b-12</b>", "Ada Quill", "put aside", "no sample yet", "until 20", "LOT-1004, LOT-1005",
		"of lims"}, "No run was begun")
	wants(t, "the list", body, []string{"FAILED", "R-88", "of lims", "/runs/r-7qx3-000016/record", "Begin a run", "before=r-7qx3-000001", "Older"})
	if strings.Count(body, "r-7qx3-000017") != 2 {
		t.Errorf("an open run is listed %d times with its link", strings.Count(body, "r-7qx3-000017"))
	}
	f.asked = nil
	_, body = l.get(t, "/runs?state=complete&sample=LOT-1004&person=ada&request=R-88&procedure=ash&before=r-9", as(rights.Auditor))
	wants(t, "a search", body, []string{"All runs", "To the beginning", `value="LOT-1004"`, `<option value="complete" selected>`}, "Begin a run", "Open (")
	if want := (console.RunsAsked{State: "complete", Procedure: "ash", Sample: "LOT-1004", Person: "ada", Request: "R-88", Before: "r-9", Limit: runsLimit}); len(f.asked) != 1 || f.asked[0] != want {
		t.Errorf("it asked for %+v", f.asked)
	}
	for name, c := range map[string]struct {
		lab  *lab
		path string
		who  rights.Who
		has  string
	}{
		"no run yet":       {runLab(t, &ran{}, nil), "/runs", as(rights.Operator), "Begin the first"},
		"none that fits":   {runLab(t, &ran{}, nil), "/runs?sample=x", as(rights.Operator), "No run fits this."},
		"nothing adopted":  {runLab(t, &ran{}, func(d *Deps) { d.Procedures = taught{} }), "/runs", as(rights.BalanceKeeper), "To the procedures"},
		"no runs here":     {newLab(t, Deps{}), "/runs", as(rights.Operator), "not set up"},
		"cannot be listed": {runLab(t, &ran{fails: errors.New("the disk is " + hostile)}, nil), "/runs", as(rights.Operator), "cannot be listed now"},
	} {
		_, body := c.lab.get(t, c.path, c.who)
		wants(t, name, body, []string{c.has})
	}
}

// TestARunIsBegunWithWhatItsProcedureAsksFor: cautions first, a field for each parameter with its unit, and a balance that is unfit says so.
func TestARunIsBegunWithWhatItsProcedureAsksFor(t *testing.T) {
	l := runLab(t, &ran{}, func(d *Deps) {
		s := twoBalances().get()
		s.balances[0].Fitness = &record.Fitness{State: record.OutOfService}
		d.Source = s
	})
	_, body := l.get(t, "/runs/new?balance=b-13", as(rights.Operator))
	wants(t, "the choice", body, []string{"/runs/new?procedure=thousand-seed-mass&amp;balance=b-13", "version 3"}, ">ash")
	_, body = l.get(t, "/runs/new?procedure=thousand-seed-mass&balance=b-13", as(rights.Operator))
	wants(t, "the form", body, []string{"thousand-seed-mass, version 3", "hot &lt;img", `data-parameter="per_count" data-unit="1"`, `value="100"`, `data-parameter="mass" data-unit="g"`, `value="10"`, "at least 1 g, SOP 7", "Wanted mass",
		`<option value="b-13" selected>`, "OUT OF SERVICE", "Samples, each with its container", "40 at most", "readability 0.1 mg or finer"})
	for _, path := range []string{"/runs/new?procedure=ash", "/runs/new?procedure=none"} {
		if status, _ := l.get(t, path, as(rights.Operator)); status != 404 {
			t.Errorf("%s answers %d", path, status)
		}
	}
	_, body = l.get(t, "/runs/new?procedure=thousand-seed-mass", as(rights.Auditor))
	wants(t, "to an auditor", body, []string{"Whoever has the right"}, "Begin the run", "data-parameter")
}

// TestTheGuidedPageOffersWhatTheStepWaitsFor, to whoever performs the run, and to others what is theirs.
func TestTheGuidedPageOffersWhatTheStepWaitsFor(t *testing.T) {
	f := &ran{}
	l := runLab(t, f, nil)
	page := func(who rights.Who, how func(*console.RunView)) string {
		v := anOpenRun()
		if how != nil {
			how(&v)
		}
		f.views = []console.RunView{v}
		_, body := l.get(t, "/runs/r-7qx3-000017", who)
		return body
	}
	operator, ben := as(rights.Operator), as(rights.Operator)
	ben.Person, ben.Actor = "ben", record.Actor{ID: "ben", Name: "Ben Sorrel", By: record.ActorBadge}
	reviewer := as(rights.Reviewer)
	reviewer.Actor = record.Actor{ID: "rex", Name: "Rex Vale"}
	waits := func(word string, more func(*console.RunInstruction)) func(*console.RunView) {
		return func(v *console.RunView) {
			v.Next.Waiting, v.Next.Target = word, nil
			if more != nil {
				more(&v.Next)
			}
		}
	}
	body := page(operator, nil)
	wants(t, "a weight", body, []string{"Step 3 of 9", "item 2 of 8", "1 left: LOT-1005", "Pour seeds until", "C-99 is not in this run", "Take the weight", "12.4500 to 12.5500 g", "LOT-1004", "gross · 1", "12.1111 g", "a seed fell off",
		"Do the step before again: count seeds", "Put it aside", "Abandon the run", "Seeds take up water", `data-is="none"`}, "takes it over", "FAILED</h2>")
	wants(t, "a scan", page(operator, waits("scan", nil)), []string{`id="scan"`, "What is missing is left out (1 left)"}, "Take the weight", `id="aim"`)
	wants(t, "a choice", page(operator, waits("answer", func(n *console.RunInstruction) { n.Choices = []string{"yes", hostile} })), []string{`data-answer="yes"`})
	wants(t, "a number", page(operator, waits("answer", func(n *console.RunInstruction) { n.Kind, n.Unit, n.Limits = "quantity", "Cel", "18 Cel to 25 Cel" })), []string{`inputmode="decimal"`, "18 Cel to 25 Cel", ">Cel<"})
	sent := &console.AirKnown{AirReading: record.AirReading{What: "temperature", Digits: "21.3", Unit: "Cel", Instrument: "meter-3 " + hostile, At: record.UTC(time.Date(2026, 11, 29, 9, 4, 5, 123456000, time.UTC))}}
	wants(t, "a reading", page(operator, waits("answer", func(n *console.RunInstruction) { n.Kind, n.Unit, n.Offers = "quantity", "Cel", sent })),
		[]string{"21.3 Cel, read by meter-3 &lt;img", `data-act='{"read":"2026-11-29T09:04:05.123456Z"}' data-main`, `data-offer="2026-11-29T09:04:05.123456Z"`, `inputmode="decimal"`})
	wants(t, "no reading", page(operator, waits("answer", func(n *console.RunInstruction) { n.Kind, n.NoOffer = "quantity", "It is too old." })), []string{"It is too old. Type the value."}, "Take this reading")
	wants(t, "a reading, to somebody else", page(ben, waits("answer", func(n *console.RunInstruction) { n.Kind, n.Offers = "quantity", sent })), []string{"Take it over"}, "Take this reading")
	wants(t, "a date", page(operator, waits("answer", func(n *console.RunInstruction) { n.Kind = "date" })), []string{"YYYY-MM-DD"})
	wants(t, "something to do", page(operator, waits("done", nil)), []string{"Done <kbd>"})
	due := record.UTC(time.Now().Add(time.Hour))
	wants(t, "time", page(operator, waits("time", func(n *console.RunInstruction) { n.Due = &due })), []string{"Over at", "data-after disabled"})
	past := record.UTC(time.Now().Add(-time.Minute))
	wants(t, "time that is over", page(operator, waits("time", func(n *console.RunInstruction) { n.Due = &past })), []string{"Go on"}, "data-after")
	wants(t, "a balance", page(operator, waits("balance", func(n *console.RunInstruction) { n.Balance = "b-13" })), []string{"<option selected>b-13</option>"})
	wants(t, "a second person, to the performer", page(operator, waits("second person", nil)), []string{"Another person than whoever performs the run"}, "I have looked")
	wants(t, "a second person", page(ben, waits("second person", nil)), []string{"I have looked", "Ada Quill</b> performs this run"}, "Put it aside")
	outside := waits("allowed", func(n *console.RunInstruction) {
		n.Outside, n.Repeats = anOpenRun().Steps[3].RunStep, 1
	})
	wants(t, "outside its limits, to the performer", page(operator, outside), []string{"12.3450 g", "limits 12.4 g to 12.6 g (the lab&#39;s own)", "Do it again (1 time is left)", "somebody with the right to signs in"}, "Let it go on")
	wants(t, "outside its limits, to a reviewer", page(reviewer, outside), []string{"Let it go on", "Reference of the investigation"}, "Do it again (")
	wants(t, "to somebody else", page(ben, nil), []string{"performs this run", "Take it over"}, "Take the weight", "Abandon the run")
	wants(t, "to a visitor", page(as(""), nil), []string{"This page shows the run", "/sign-in?to=%2fruns%2fr-7qx3-000017"}, "Take the weight", "Abandon the run", "Take it over")
	wants(t, "on a balance that is lost", page(operator, func(v *console.RunView) { v.Next.Unheard, v.Next.Unfit = true, "It is out of service." }), []string{"cannot be heard now", "It is out of service."})
	_, part := l.get(t, "/runs/r-7qx3-000017?part=run-print", operator)
	if !strings.Contains(part, `data-part="run-print"`) || len(part) > 400 {
		t.Errorf("what is looked at each second is %d bytes: %.300s", len(part), part)
	}
	if status, _ := l.get(t, "/runs/r-7qx3-000099", operator); status != 404 {
		t.Errorf("a run that there is not: %d", status)
	}
}

// TestTheRecordOfARunTellsAllOfIt: every attempt, also what does not count, each calculation, who and on what, and what it does not say.
func TestTheRecordOfARunTellsAllOfIt(t *testing.T) {
	v := anEndedRun()
	l := runLab(t, &ran{views: []console.RunView{v}}, nil)
	_, body := l.get(t, runPath(v.ID)+"/record", as(rights.Auditor))
	wants(t, "the record", body, []string{"FAILED", "sha256:3f1c", "thousand-seed-mass, version 3", "123.5 g", "before rounding 123.45 g", "120 g to 123 g", "went on because: it was agreed", "R-88", "seeds per count", "Ada Quill (ada), performed it",
		"Ben Sorrel (ben), let it go on", "SB-4410", "mean(gross)", "12.345 g", "to 0.01 g, half to even", "a table", "3 attempts count; 1 does not", "12.1111 g", "replaced: does not count", "done again", "a seed fell off", "Reference: INV-7", "attempt 2", "taken over",
		"/weighed/seed-bank/7qx3/b-12/000184", "/happened/41", "no step asked for (1)", "seed-bank/7qx3/b-12/000185", "does not make a result fit for use", "Seeds take up water"})
	_, body = l.get(t, runPath(v.ID), as(rights.Operator))
	wants(t, "the page of one that ended", body, []string{"FAILED", "123.5 g", "/record", "not thereby fit for use"}, "Abandon the run", "Take the weight")
	if status, _ := l.get(t, runPath(v.ID)+"/record", rights.Who{Rights: rights.Of(rights.See)}); status != 403 {
		t.Errorf("without the right to read the journal: %d", status)
	}
}

// TestTheBenchShowsTheRunThatIsThere in place of asking for a sample, and which may be taken up.
func TestTheBenchShowsTheRunThatIsThere(t *testing.T) {
	aside := anOpenRun()
	aside.ID, aside.Balance, aside.Aside = "r-7qx3-000015", "", true
	l := runLab(t, &ran{views: []console.RunView{anOpenRun(), aside}}, nil)
	_, body := l.get(t, "/bench/b-12", as(rights.Operator))
	wants(t, "where it is", body, []string{`href="/runs/r-7qx3-000017"`, "Step 3 of 9", "LOT-1004", `id="aim"`, "C-99 is not in this run", `class="next" role="status">Pour seeds`, `data-step="next"`}, "Scan the sample.", "Scan your badge.", "000015")
	_, body = l.get(t, "/bench/b-13", as(rights.Operator))
	wants(t, "where none is", body, []string{"Runs that wait to be taken up (1)", "/runs/r-7qx3-000015", "/runs/new?balance=b-13"}, "Step 3 of 9")
	_, body = l.get(t, "/balances/b-12", as(rights.Operator))
	wants(t, "the page of the balance", body, []string{`href="/runs/r-7qx3-000017"`})
}

// TestAWeighingLeadsToItsRun where the run is one of ours, and not where another system named it.
func TestAWeighingLeadsToItsRun(t *testing.T) {
	for id, page := range map[string]string{"r-7qx3-000017": "/runs/r-7qx3-000017", "r-1": "", "../people": "", "R-7QX3-000017": "", "batch 7": ""} {
		w := &record.Weighing{}
		w.Context.Run = &record.Learnt{ID: id}
		for _, one := range tiedTo(w) {
			if one.Name == record.ItemRun && (one.Page != page || one.Search != "/weighed?"+url.Values{"run": {id}}.Encode()) {
				t.Errorf("%q leads to %q", id, one.Page)
			}
		}
	}
}

// TestWhatIsSaidOfAStepIsASentence, and an id at its beginning stays as it is.
func TestWhatIsSaidOfAStepIsASentence(t *testing.T) {
	for said, want := range map[string]string{"the weight moved": "The weight moved.", "c-99 is none of this run": "c-99 is none of this run.", "sample x is done": "Sample x is done.",
		"élan is no sample": "élan is no sample.", "Weigh it again.": "Weigh it again.", "": ""} {
		if got := noteWords(said); got != want {
			t.Errorf("%q becomes %q, want %q", said, got, want)
		}
	}
}
