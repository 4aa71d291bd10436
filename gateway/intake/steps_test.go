package intake

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// changesOf gives the entries on the context in short: cause, sample before and after, and why.
func changesOf(b *bench) (out []string) {
	id := func(l *record.Learnt) string {
		if l == nil {
			return "-"
		}
		return l.ID
	}
	for _, e := range b.journal.bodies() {
		if c, ok := e.(*record.ContextChange); ok {
			out = append(out, fmt.Sprintf("%s %s>%s %s", c.Cause, id(c.Before.Sample), id(c.After.Sample), c.Why))
		}
	}
	return out
}

func expectChanges(t *testing.T, b *bench, want ...string) {
	t.Helper()
	got := changesOf(b)
	if len(got) != len(want) {
		t.Errorf("entries:\n%s", strings.Join(got, "\n"))
		return
	}
	for i := range want {
		if !strings.HasPrefix(got[i], want[i]) {
			t.Errorf("entry %d is\n%s\nwant\n%s", i, got[i], want[i])
		}
	}
}

// doStep carries a step out, or gives why not.
func doStep(b *bench, step string) string {
	time.Sleep(100 * time.Millisecond)
	_, err := b.SetContext(context.Background(), record.ContextRequest{Step: step, How: "key", By: record.ByTyped})
	time.Sleep(100 * time.Millisecond)
	if err != nil {
		return err.Error()
	}
	return ""
}

func doScan(b *bench, code string) string {
	time.Sleep(100 * time.Millisecond)
	_, err := b.Scan(context.Background(), record.ScanRequest{Raw: code, Others: true})
	time.Sleep(100 * time.Millisecond)
	if err != nil {
		return err.Error()
	}
	return ""
}

var untilReplaced = func(c *Config) { c.Context.Sample.Uses = -1 }

// TestNextFinishesASample, and takes no other; repeat has it hold once more; abandon drops it and the run, and nothing that was recorded.
func TestNextFinishesASample(t *testing.T) {
	b := answering(t, untilReplaced, func(b *bench, print func(string)) {
		setItems(t, b, record.ContextRequest{Sample: &record.ContextItem{ID: "lot-7"}, Run: &record.ContextItem{ID: "r-1"}, Lot: &record.ContextItem{ID: "autumn"}})
		print("W 1.000 g S")
		doStep(b, record.StepNext)
		print("W 2.000 g S")
		doStep(b, record.StepNext)
		setItems(t, b, record.ContextRequest{Sample: &record.ContextItem{ID: "lot-8"}})
		print("W 3.000 g S")
		doStep(b, record.StepAbandon)
		print("W 4.000 g S")
	})
	expectSaid(t, b, "recorded 1.000 sample=lot-7 run=r-1 lot=autumn #", "recorded 2.000 run=r-1 lot=autumn #",
		"recorded 3.000 sample=lot-8 run=r-1 lot=autumn #", "recorded 4.000 lot=autumn #")
	expectChanges(t, b, `set ->lot-7`, `next lot-7>- The sample "lot-7" is finished, by a key of the bench screen: it was weighed once.`,
		"next ->- Next, by a key of the bench screen: no sample was held.", "set ->lot-8",
		`abandon lot-8>- The sample "lot-8" was abandoned, by a key of the bench screen: it was weighed once, which stays recorded.`, "expired")
	expect(t, b.journal.bodies()[:3], "port-up 1", "*record.ContextChange", "weighing 1.000 g")
}

// TestRepeatHoldsForOneMoreWeighing: also once the sample is used up, and not for somebody else or after its time.
func TestRepeatHoldsForOneMoreWeighing(t *testing.T) {
	b := answering(t, nil, func(b *bench, print func(string)) {
		if why := doStep(b, record.StepRepeat); !strings.Contains(why, "no sample to repeat") {
			t.Error(why)
		}
		setItems(t, b, record.ContextRequest{Person: &record.ContextItem{ID: "ada"}, Sample: &record.ContextItem{ID: "lot-7"}, By: record.ByScanned})
		print("W 1.000 g S")
		print("W 2.000 g S")
		if why := doStep(b, record.StepRepeat); why != "" {
			t.Error(why)
		}
		print("W 3.000 g S")
		print("W 4.000 g S")
		setItems(t, b, record.ContextRequest{Person: &record.ContextItem{ID: "bo"}})
		if why := doStep(b, record.StepRepeat); !strings.Contains(why, "by somebody else") {
			t.Error(why)
		}
		setItems(t, b, record.ContextRequest{Sample: &record.ContextItem{ID: "lot-8"}})
		print("W 5.000 g S")
		time.Sleep(31 * time.Minute)
		if why := doStep(b, record.StepRepeat); !strings.Contains(why, "run out") {
			t.Error(why)
		}
		if why := doStep(b, "dance"); !strings.Contains(why, "no step") {
			t.Error(why)
		}
	})
	expectSaid(t, b, "recorded 1.000 person=ada sample=lot-7 #", "recorded 2.000 person=ada #", "recorded 3.000 person=ada sample=lot-7 #",
		"recorded 4.000 person=ada #", "recorded 5.000 person=bo sample=lot-8 #")
	for _, e := range b.journal.bodies() {
		if w, ok := e.(*record.Weighing); ok && w.Value.Digits == "3.000" && w.Context.Sample.By != record.ByScanned {
			t.Errorf("a repeated sample was learnt %q", w.Context.Sample.By)
		}
	}
}

// TestRepeatGoesByThePolicy: where samples are not weighed twice it is refused; where that is asked about, repeat is the answer, and the
// weighing says so.
func TestRepeatGoesByThePolicy(t *testing.T) {
	for again, want := range map[string]string{refuses: "was weighed at this balance", asks: ""} {
		shelf := newShelf()
		b := answering(t, func(c *Config) { c.Samples = &SamplesConfig{Again: again, Within: strict.Duration(time.Hour)} }, func(b *bench, print func(string)) {
			b.samples = shelf
			setItems(t, b, record.ContextRequest{Sample: &record.ContextItem{ID: "lot-7"}})
			print("W 1.000 g S")
			if why := doStep(b, record.StepRepeat); want == "" && why != "" || !strings.Contains(why, want) {
				t.Errorf("%s: %s", again, why)
			}
			print("W 2.000 g S")
		})
		last := said(b)[1]
		if again == asks && !strings.Contains(last, "sample=lot-7") || again == refuses && strings.Contains(last, "sample=") {
			t.Errorf("%s: %s", again, last)
		}
		if again == asks && !strings.Contains(last, "was weighed at this balance 0 s ago") {
			t.Errorf("the weighing does not say so: %s", last)
		}
	}
}

// TestCardsMeanTheSameWhateverTheRulesSay: also where there are none, and from a serial scanner.
func TestCardsMeanTheSameWhateverTheRulesSay(t *testing.T) {
	catchAll := func(c *Config) {
		untilReplaced(c)
		c.Scanner = &ScannerConfig{Port: port.Config{Address: "/dev/ttyS8", Speed: 9600}, Rules: []ScanRule{{Item: "sample"}}}
	}
	for name, change := range map[string]func(*Config){"no rules": untilReplaced, "a rule for everything": catchAll} {
		b := answering(t, change, func(b *bench, print func(string)) {
			setItems(t, b, record.ContextRequest{Sample: &record.ContextItem{ID: "lot-7"}})
			print("W 1.000 g S")
			if why := doScan(b, record.CardCode(record.StepNext)); why != "" {
				t.Error(name, why)
			}
			setItems(t, b, record.ContextRequest{Sample: &record.ContextItem{ID: "lot-8"}})
			if why := doScan(b, record.CardCode(record.StepNext)[:11]); !strings.Contains(why, "begins as a card") {
				t.Error(name, why)
			}
			if b.scan != nil {
				b.scan.Up(time.Now())
				time.Sleep(time.Second)
				sent(b.scan, "]C0"+record.CardCode(record.StepAbandon)+"\r")
				time.Sleep(100 * time.Millisecond)
				sent(b.scan, record.CardCode(record.CardSignOut)+"\r")
			} else {
				doScan(b, record.CardCode(record.StepAbandon))
				doScan(b, record.CardCode(record.CardSignOut))
			}
			time.Sleep(time.Second)
			b.identity.lost()
			if why := doScan(b, record.LabelCode("b-13")); !strings.Contains(why, "another balance") {
				t.Error(name, why)
			}
			if doScan(b, record.LabelCode("b-12")); b.Context().Identity != confirmed {
				t.Error(name, "the label does not confirm the identity")
			}
		})
		expectChanges(t, b, "set", `next lot-7>- The sample "lot-7" is finished, by a card`, "set", "refused lot-8>lot-8",
			`abandon lot-8>- The sample "lot-8" was abandoned, by a card: it was not weighed`, "signed-out", "refused", "confirmed")
	}
}

// TestTheYesCardConfirmsWhatWasAsked, within its time.
func TestTheYesCardConfirmsWhatWasAsked(t *testing.T) {
	b := answering(t, func(c *Config) {
		c.Samples = &SamplesConfig{Unknown: asks}
		c.Scanner = &ScannerConfig{Rules: []ScanRule{{Item: "sample"}}}
	}, func(b *bench, print func(string)) {
		b.samples = newShelf()
		yes := record.CardCode(record.CardYes)
		if why := doScan(b, yes); !strings.Contains(why, "Nothing is asked") {
			t.Error(why)
		}
		if why := doScan(b, "lot-7"); !strings.Contains(why, "once more within 30 s") {
			t.Error(why)
		}
		if why := doScan(b, yes); why != "" {
			t.Error(why)
		}
		print("W 1.000 g S")
		doScan(b, "lot-8")
		time.Sleep(31 * time.Second)
		if why := doScan(b, yes); !strings.Contains(why, "Nothing is asked") {
			t.Error(why)
		}
	})
	expectSaid(t, b, "recorded 1.000 sample=lot-7 #: The sample was not announced.")
}

// TestAPrintWithAnEmptyPanMeansNext: it is recorded as every print, says what it meant, and counts only after a weighing of the sample.
func TestAPrintWithAnEmptyPanMeansNext(t *testing.T) {
	b := answering(t, func(c *Config) {
		untilReplaced(c)
		c.EmptyPan = &EmptyPan{Means: record.StepNext, WithinD: 5}
	}, func(b *bench, print func(string)) {
		setItems(t, b, record.ContextRequest{Sample: &record.ContextItem{ID: "lot-7"}})
		print("W 0.000 g S") // before the first weighing: the empty vessel, perhaps
		print("W 0.000 g S")
		print("W 1.000 g S")
		print("W 0.006 g S")
		print("W 0.004 g M")
		print("W 0.004 g S")
		time.Sleep(100 * time.Millisecond)
		print("W 2.000 g S")
	})
	expectSaid(t, b, "recorded 0.000 sample=lot-7 #", "recorded 0.000 sample=lot-7 #", "recorded 1.000 sample=lot-7 #", "recorded 0.006 sample=lot-7 #", "recorded 0.004 sample=lot-7 #",
		"recorded 0.004 sample=lot-7 #: It was printed with an empty pan, which means next here.", "recorded 2.000 #")
	expectChanges(t, b, "set", `next lot-7>- The sample "lot-7" is finished, by a print with an empty pan: it was weighed 6 times.`)
}

func TestALabelIsOfExactlyOneBalance(t *testing.T) {
	list := []*Config{
		{ID: "b-1", Serial: "4410", Scanner: &ScannerConfig{Rules: []ScanRule{{Prefix: "BAL:", Balance: true, Strip: true}, {Item: "sample"}}}},
		{ID: "b-2", Serial: "4411", PrintsAs: "SEED-2"},
		{ID: "b-3", Serial: "4411"},
	}
	for code, want := range map[string]string{
		"b-1": "b-1", "4410": "b-1", "]C04410": "b-1", "BAL:4410": "b-1", "SEED-2": "b-2", record.LabelCode("b-3"): "b-3", "80044410": "b-1", "(8004)4410": "b-1",
		"]C18004SEED-2": "b-2",
	} {
		if id, why := BalanceOf(list, code); id != want || why != "" {
			t.Errorf("%s is of %q: %s", code, id, why)
		}
	}
	for code, want := range map[string]string{"4411": "2 balances", "b-4": "No balance", "": "No balance", "BAL:b-2": "No balance", record.CardCode("next"): "is a card", record.LabelCode("b-4"): "No balance"} {
		if id, why := BalanceOf(list, code); id != "" || !strings.Contains(why, want) {
			t.Errorf("%q is of %q: %s", code, id, why)
		}
	}
}
