package intake

import (
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
)

// printable are the items that a balance can print and somebody can set as well.
var printable = map[string]string{record.ItemPerson: health.PersonDiffers, record.ItemSample: health.SampleDiffers}

// A printed person or sample is chosen where none was set; where it contradicts the one that was set, or cannot be an id,
// neither is, and it is said until one is taken again. Each step sets an id (or none), and has the balance print another.
func TestWhatTheBalancePrints(t *testing.T) {
	long := strings.Repeat("x", 129)
	steps := []struct {
		set, printed string // "": nothing is set, "-": what is held ends
		id, by, why  string // of the weighing; why: part of that of the verdict that fails
		agrees       bool   // a verdict says that the two agree
	}{
		{printed: "A-1", id: "A-1", by: record.ByPrinted},
		{set: "A-2", printed: "A-3", why: `the balance printed "A-3" and "A-2" was set`},
		{set: "A-3", printed: "A-3", id: "A-3", by: record.BySent, agrees: true},
		{set: "a-3", printed: "A-3", why: `the balance printed "A-3" and "a-3" was set`},
		{set: "-", printed: "A-4", id: "A-4", by: record.ByPrinted},
		{printed: "A\u00a04", why: `what the balance printed, "A\u00a04", holds the character U+00A0`},
		{printed: "A-4", id: "A-4", by: record.ByPrinted},
		{set: "A-4", printed: long, why: "has 129 characters"},
		{set: "A-4", printed: "", id: "A-4", by: record.BySent},
		{set: "-", printed: ""},
	}
	for name, code := range printable {
		t.Run(name, func(t *testing.T) {
			change := func(c *Config) {
				c.Context.Person, c.Context.Sample = Hold{Needed: name == record.ItemPerson}, Hold{Uses: -1, Needed: name == record.ItemSample}
			}
			var said []bool // after each step, whether a condition holds
			bodies := inBubble(t, `line: "{`+name+`};W {weight} {unit}"`, change, func(t *testing.T, b *bench, h port.Handler) {
				for _, s := range steps {
					if s.set != "" {
						r := record.ContextRequest{By: record.BySent, Where: "test", At: time.Now()}
						*r.Item(name) = &record.ContextItem{ID: strings.TrimPrefix(s.set, "-")}
						if _, err := b.SetContext(t.Context(), r); err != nil {
							t.Error(err)
						}
						time.Sleep(time.Second)
					}
					prints(h, s.printed+";W 1.000 g")
					said = append(said, slices.ContainsFunc(b.board.List(), func(c health.Condition) bool {
						return c.Code == code && c.Subject == "b-12" && strings.Contains(c.Sentence, "has no "+name) && strings.Contains(c.Sentence, s.why)
					}))
				}
			})
			w := weighings(bodies)
			if len(w) != len(steps) {
				t.Fatalf("%d weighings of %d: %q", len(w), len(steps), story(bodies))
			}
			differs := false
			for i, s := range steps {
				var got record.Learnt
				if l := w[i].Context.Get(name); l != nil {
					got = *l
				}
				if got.ID != s.id || got.By != s.by || (got.Since != nil) != (s.by == record.BySent) {
					t.Errorf("step %d: %+v, want %q by %q", i, got, s.id, s.by)
				}
				mustJudge(t, i, w[i], name, s.why, s.agrees, s.id != "")
				if s.printed != "" {
					differs = s.why != ""
					if p := w[i].Printed; *map[string]*string{record.ItemPerson: &p.Person, record.ItemSample: &p.Sample}[name] != s.printed {
						t.Errorf("step %d: %+v is kept as printed, want %q", i, p, s.printed)
					}
				}
				if said[i] != differs {
					t.Errorf("step %d: the condition holds is %v", i, said[i])
				}
			}
		})
	}
}

// mustJudge holds a weighing to its verdicts: one on agreeing where there is something to say of it, and one on being known.
func mustJudge(t *testing.T, step int, w *record.Weighing, name, why string, agrees, known bool) {
	t.Helper()
	var want []record.Verdict
	if why != "" || agrees {
		want = append(want, record.Verdict{Rule: name + "-agrees", Pass: agrees, Why: why})
	}
	want = append(want, record.Verdict{Rule: name + "-known", Pass: known})
	if !known {
		want[len(want)-1].Why = "no " + name + " is known"
	}
	if !slices.EqualFunc(w.Verdicts, want, func(got, want record.Verdict) bool {
		return got.Rule == want.Rule && got.Pass == want.Pass && strings.Contains(got.Why, want.Why) && (got.Why == "") == (want.Why == "")
	}) {
		t.Errorf("step %d: verdicts %+v, want %+v", step, w.Verdicts, want)
	}
}

// Person and sample in one line are judged each on its own: a contradiction about one does not take the other away.
func TestPrintedPersonAndSampleAreJudgedApart(t *testing.T) {
	bodies := inBubble(t, `line: "by {person} {sample} W {weight} {unit}"`, nil, func(t *testing.T, b *bench, h port.Handler) {
		_, err := b.SetContext(t.Context(), record.ContextRequest{
			Person: &record.ContextItem{ID: "p-07"}, Sample: &record.ContextItem{ID: "LOT-1"}, By: record.ByScanned, At: time.Now()})
		if err != nil {
			t.Error(err)
		}
		time.Sleep(time.Second)
		prints(h, "by p-08 LOT-1 W 1.000 g")
		if l := b.board.List(); len(l) != 1 || l[0].Code != health.PersonDiffers {
			t.Errorf("%+v", l)
		}
		if s := b.Status(); s.LastPerson != "" || s.LastSample != "LOT-1" {
			t.Errorf("%+v", s)
		}
		prints(h, "by p-07 LOT-2 W 2.000 g")
		if s := b.Status(); s.LastPerson != "p-07" || s.LastSample != "LOT-2" || len(b.board.List()) != 0 {
			t.Errorf("%+v, %+v", s, b.board.List())
		}
		prints(h, "by p-08 LOT\u00a0 W 3.000 g")
		if l := b.board.List(); len(l) != 2 {
			t.Errorf("%+v", l)
		}
		if Forget(b.board, "b-12"); len(b.board.List()) != 0 {
			t.Errorf("a balance that is no longer configured keeps %+v", b.board.List())
		}
	})
	w := weighings(bodies)
	if w[0].Context.Person != nil || w[0].Context.Sample.By != record.ByScanned || w[1].Context.Person.By != record.ByScanned || w[1].Context.Sample.By != record.ByPrinted {
		t.Errorf("%+v %+v", w[0].Context, w[1].Context)
	}
	if len(w[0].Verdicts) != 2 || w[0].Verdicts[0].Pass || w[0].Verdicts[0].Rule != "person-agrees" || !w[0].Verdicts[1].Pass {
		t.Errorf("%+v", w[0].Verdicts)
	}
}
