package runs

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
)

func jsonOf(e record.Entry, into any) error { return json.Unmarshal(e.JSON, into) }

func refused(t *testing.T, err error, why string) {
	t.Helper()
	var no *record.NotDone
	if !errors.As(err, &no) || !strings.Contains(no.Why, why) {
		t.Errorf("%v, want a refusal with %q", err, why)
	}
}

// TestAVersionIsAdoptedByAnother: numbers have no gaps, the hash is that of the text, the writer does not adopt unless the lab says so, the version
// before is replaced, one that is withdrawn begins no run; all of it stands after a start without and with what was written down.
func TestAVersionIsAdoptedByAnother(t *testing.T) {
	h := newHouse(t)
	ctx := t.Context()
	one, err := h.Write(ctx, twoWeighings, "first", ben)
	h.must(err)
	if one.ProcedureRef.Version != 1 || one.Hash != HashOf(twoWeighings) || one.State != record.ProcedureWritten {
		t.Errorf("%+v", one)
	}
	_, err = h.Begin(ctx, Order{Procedure: "net", Balance: "b-1"}, ada)
	refused(t, err, "no version of the procedure net is adopted")
	_, err = h.Decide(ctx, "net", 1, record.ProcedureAdopted, "mine", ben)
	refused(t, err, "Ben wrote this version: another person adopts it")
	_, err = h.Write(ctx, twoWeighings, "again", ada)
	refused(t, err, "this very text")
	_, err = h.Decide(ctx, "net", 2, record.ProcedureAdopted, "there is none", ada)
	if !errors.Is(err, record.ErrNoProcedure) {
		t.Error(err)
	}
	_, err = h.Decide(ctx, "net", 1, record.ProcedureAdopted, "read", ada)
	h.must(err)
	_, err = h.Decide(ctx, "net", 1, record.ProcedureTurnedDown, "too late", ada)
	refused(t, err, "only one that was written")
	h.cfg.Adoption = OnePerson
	two, err := h.Write(ctx, twoWeighings+"# another\n", "second", ben)
	h.must(err)
	_, err = h.Decide(ctx, "net", two.ProcedureRef.Version, record.ProcedureAdopted, "one person", ben)
	h.must(err)
	three, err := h.Write(ctx, twoWeighings+"# a third\n", "third", ben)
	h.must(err)
	_, err = h.Decide(ctx, "net", three.ProcedureRef.Version, record.ProcedureTurnedDown, "no", ada)
	h.must(err)
	_, err = h.Decide(ctx, "net", 2, record.ProcedureWithdrawn, "wrong", ben)
	h.must(err)
	_, err = h.Begin(ctx, Order{Procedure: "net"}, ada)
	refused(t, err, "no version of the procedure net is adopted")
	_, err = h.Write(ctx, strings.Repeat("x", MostText+1), "", ben)
	refused(t, err, "at most")
	_, err = h.Write(ctx, "procedure: x\nsteps: [{step: a, do: fly}]\n", "", ben)
	refused(t, err, "fly")
	look := func(how string) {
		p, _ := h.Procedure("net")
		var states []string
		for _, v := range p.Versions {
			states = append(states, v.State)
		}
		if got := strings.Join(states, ", "); got != "turned down, withdrawn, replaced" || p.Adopted != 0 {
			t.Errorf("%s: %s, adopted %d", how, got, p.Adopted)
		}
	}
	look("at first")
	h.reopen()
	look("from what was written down")
	h.end()
	h.must(os.Remove(filepath.Join(h.dir, FileName)))
	h.open()
	look("from the journal")
}

// step is one thing that is done to a run: what, and for what it waits then.
type deed struct {
	name      string
	do        func(h *house, run string)
	for_, at_ string
}

var story = []deed{
	{"scan", func(h *house, run string) { h.act(run, procedure.Act{Scan: "LOT-1"}, ada) }, procedure.ForWeight, "early"},
	{"weigh", func(h *house, run string) { h.weighs("b-1", run, "10.000") }, procedure.ForTime, "rest"},
	{"wait", func(h *house, run string) { h.later(2 * time.Minute) }, procedure.ForWeight, "later"},
	{"aside", func(h *house, run string) { h.act(run, procedure.Act{Aside: true}, ada) }, procedure.ForBalance, "later"},
	{"over", func(h *house, run string) { h.act(run, procedure.Act{Over: true}, ben) }, procedure.ForBalance, "later"},
	{"at", func(h *house, run string) { h.act(run, procedure.Act{At: "b-2"}, ben) }, procedure.ForWeight, "later"},
}

// play goes through the story with something done before and after each deed, and gives the end of the run.
func play(t *testing.T, between func(h *house, before bool)) *record.RunEnded {
	t.Helper()
	h := newHouse(t)
	h.adopted(twoWeighings)
	run, err := h.Begin(t.Context(), Order{Procedure: "net", Balance: "b-1"}, ada)
	h.must(err)
	if run != "r-aaaaa-000001" {
		t.Fatalf("the run is %s", run)
	}
	h.waits(run, procedure.ForScan, "which")
	for _, d := range story {
		between(h, true)
		d.do(h, run)
		between(h, false)
		h.waits(run, d.for_, d.at_)
	}
	between(h, true)
	w := h.weighing("b-2", run, "12.345")
	w.Context.Person.ID = "ben"
	_, err = h.journal.Append(t.Context(), w)
	h.must(err)
	between(h, false)
	h.until(func() bool { _, known := h.EndedRun(run); return known }, func() string { return "the run does not end" })
	list := entries[record.RunEnded](h, record.KindRunEnded)
	if len(list) != 1 {
		t.Fatalf("the run ended %d times", len(list))
	}
	seen := map[string]int{}
	for _, s := range entries[record.RunStep](h, record.KindRunStep) {
		if s.Weighing != nil {
			seen[s.Weighing.ID]++
		}
	}
	for _, w := range entries[record.Weighing](h, record.KindWeighing) {
		if seen[w.ID] != 1 {
			t.Errorf("the weighing %s is in %d steps, want one", w.ID, seen[w.ID])
		}
	}
	return list[0]
}

// TestARunIsCutOffAtEveryStep: the same run goes on undisturbed, with a stop in good order before and after each deed, and with one as of a kill,
// where nothing was written down; each time it ends the same.
func TestARunIsCutOffAtEveryStep(t *testing.T) {
	kill := func(h *house) {
		h.end()
		_ = os.Remove(filepath.Join(h.dir, FileName))
		h.open()
	}
	for name, between := range map[string]func(h *house, before bool){
		"undisturbed": func(*house, bool) {},
		"stopped":     func(h *house, _ bool) { h.reopen() },
		"killed":      func(h *house, _ bool) { kill(h) },
		"away": func(h *house, before bool) { // nobody looks after runs while it is done, where it is a weighing or a wait
			if !before {
				kill(h)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			e := play(t, between)
			if e.State != record.RunComplete || e.Verdict != "passed" || len(e.Results) != 1 || e.Results[0].Digits != "2.345" || e.Results[0].Unit != "g" {
				t.Errorf("%+v", e)
			}
			if strings.Join(e.Balances, " ") != "b-1 b-2" || strings.Join(e.People, " ") != "ada ben" || e.By.ID != "ben" || len(e.Weighings) != 2 || len(e.Unused) != 0 {
				t.Errorf("balances %v, people %v, by %s, weighings %v, unused %v", e.Balances, e.People, e.By.ID, e.Weighings, e.Unused)
			}
			t.Logf("%s: %s %s after %d steps, %s", name, e.Results[0].Digits, e.Results[0].Unit, len(e.Steps), e.Verdict)
		})
	}
}

// TestAWeighingIsGivenToItsRunOnce: one that was recorded while nobody looked after runs is given to it at the next start, and at the start after
// that no more; one with no run, and one with another's, never; one of a run that has ended is said to be unused.
func TestAWeighingIsGivenToItsRunOnce(t *testing.T) {
	h := newHouse(t)
	h.adopted(twoWeighings)
	run, err := h.Begin(t.Context(), Order{Procedure: "net", Balance: "b-1"}, ada)
	h.must(err)
	h.act(run, procedure.Act{Scan: "LOT-1"}, ada)
	h.end()
	h.weighs("b-1", "", "9.999")
	h.weighs("b-1", "r-aaaaa-000099", "9.998")
	h.weighs("b-1", run, "10.000")
	for range 3 {
		h.open()
		h.waits(run, procedure.ForTime, "rest")
		h.end()
	}
	h.open()
	h.weighs("b-1", run, "11.000") // no step asks for it
	h.waits(run, procedure.ForTime, "rest")
	w := h.weighing("b-1", run, "11.500")
	w.Context.Person.ID = "ben" // who does not perform it
	_, err = h.journal.Append(t.Context(), w)
	h.must(err)
	h.waits(run, procedure.ForTime, "rest")
	h.act(run, procedure.Act{Abandon: "enough"}, ada)
	h.weighs("b-1", run, "12.000") // after the end
	var became []string
	h.until(func() bool {
		became = became[:0]
		for _, s := range entries[record.RunStep](h, record.KindRunStep) {
			if s.Weighing != nil {
				became = append(became, s.Became)
			}
		}
		return len(became) == 4
	}, func() string { return "the weighings became " + strings.Join(became, ", ") })
	if got := strings.Join(became, ", "); got != "taken, unused, unused, unused" {
		t.Error(got)
	}
	err = h.Act(t.Context(), run, procedure.Act{Done: true}, ada, Able{})
	refused(t, err, "has ended: it is abandoned")
	if err := h.Act(t.Context(), "r-aaaaa-000099", procedure.Act{Done: true}, ada, Able{}); !errors.Is(err, record.ErrNoRun) {
		t.Error(err)
	}
}

// TestOfTwoWhoActAtOnceOneIsRefused: many scan the same sample, many begin at the same balance, and weighings come while they do. Nothing is doubled.
func TestOfTwoWhoActAtOnceOneIsRefused(t *testing.T) {
	h := newHouse(t)
	h.adopted(twoWeighings)
	crowd := func(what func() error) (done int) {
		var mu sync.Mutex
		var all sync.WaitGroup
		for range 8 {
			all.Go(func() {
				err := what()
				mu.Lock()
				defer mu.Unlock()
				if err == nil {
					done++
				} else if no := new(record.NotDone); !errors.As(err, &no) {
					t.Error(err)
				}
			})
		}
		all.Wait()
		return done
	}
	var mu sync.Mutex
	run := ""
	if n := crowd(func() error {
		id, err := h.Begin(t.Context(), Order{Procedure: "net", Balance: "b-1"}, ada)
		mu.Lock()
		defer mu.Unlock()
		run = max(run, id)
		return err
	}); n != 1 {
		t.Fatalf("%d runs began at one balance", n)
	}
	if n := crowd(func() error { return h.Act(t.Context(), run, procedure.Act{Scan: "LOT-1"}, ada, Able{}) }); n != 1 {
		t.Errorf("%d scans were taken", n)
	}
	w := h.weighing("b-1", run, "10.000")
	crowd(func() error { return h.Act(t.Context(), run, procedure.Act{Back: "again"}, ben, Able{}) })
	_, err := h.journal.Append(t.Context(), w)
	h.must(err)
	if n := crowd(func() error { return h.Act(t.Context(), run, procedure.Act{Over: true}, ben, Able{}) }); n != 1 {
		t.Errorf("%d took it over", n)
	}
	s := h.waits(run, procedure.ForTime, "rest")
	if len(s.Steps) != 3 || s.By.ID != "ben" {
		t.Errorf("%d steps, by %s", len(s.Steps), s.By.ID)
	}
	_, err = h.Begin(t.Context(), Order{Procedure: "net", Balance: "b-1"}, ada)
	refused(t, err, "is at balance b-1")
	id, err := h.Begin(t.Context(), Order{Procedure: "net", Balance: "b-2"}, ada)
	h.must(err)
	err = h.Act(t.Context(), id, procedure.Act{At: "b-1"}, ada, Able{})
	refused(t, err, "is at balance b-1")
	err = h.Act(t.Context(), id, procedure.Act{At: "b-9"}, ada, Able{})
	refused(t, err, "there is no balance b-9")
}

// TestARunDoesNotBeginOnWhatCannotBe: hostile orders are refused in a sentence.
func TestARunDoesNotBeginOnWhatCannotBe(t *testing.T) {
	h := newHouse(t)
	h.adopted(twoWeighings)
	many := make([]record.RunItem, mostItems+1)
	for why, o := range map[string]Order{
		"at most 500 are taken":   {Procedure: "net", Items: many},
		"neither a sample":        {Procedure: "net", Items: []record.RunItem{{}}},
		"cannot be seen":          {Procedure: "net", Items: []record.RunItem{{Sample: "a\u202eb"}}},
		"the name of a field":     {Procedure: "net", Items: []record.RunItem{{Sample: "a", Fields: map[string]string{"x\x00": ""}}}},
		"the field":               {Procedure: "net", Items: []record.RunItem{{Sample: "a", Fields: map[string]string{"x": strings.Repeat("y", 501)}}}},
		"the parameter":           {Procedure: "net", Parameters: map[string]string{"p": "1\n2"}},
		"there is no balance b-9": {Procedure: "net", Balance: "b-9"},
	} {
		_, err := h.Begin(t.Context(), o, ada)
		refused(t, err, why)
	}
	if _, err := h.Begin(t.Context(), Order{Procedure: "none"}, ada); !errors.Is(err, record.ErrNoProcedure) {
		t.Error(err)
	}
	if n := len(entries[record.RunBegun](h, record.KindRunBegun)); n != 0 {
		t.Errorf("%d runs began", n)
	}
}

// TestWhatWasWrittenDownOfRunsIsLookedThrough: a file with a hole, or with a text that is not as its hash says, is not believed.
func TestWhatWasWrittenDownOfRunsIsLookedThrough(t *testing.T) {
	h := newHouse(t)
	h.adopted(twoWeighings)
	run, err := h.Begin(t.Context(), Order{Procedure: "net", Balance: "b-1"}, ada)
	h.must(err)
	h.end()
	path := filepath.Join(h.dir, FileName)
	good, err := os.ReadFile(path)
	h.must(err)
	for _, change := range [][2]string{{"title: Net mass", "title: Net mess"}, {`"steps":`, `"stops":`}, {`{"begun":{`, `{"begun":null,"x":{`}, {`"versions":[`, `"versions":[null,`}} {
		bad := strings.Replace(string(good), change[0], change[1], 1)
		if bad == string(good) {
			t.Fatalf("%q is not there: %s", change[0], good)
		}
		h.must(os.WriteFile(path, []byte(bad), 0o600))
		h.open()
		s, open := h.Open(run)
		if p, _ := h.Procedure("net"); !open || s.Faulty != nil || s.Title != "Net mass" || p.Adopted != 1 {
			t.Errorf("after %q: open %v, %v, %q, %+v", change[0], open, s.Faulty, s.Title, p.Adopted)
		}
		h.end()
	}
	h.open()
}
