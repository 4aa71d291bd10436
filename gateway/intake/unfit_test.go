package intake

import (
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// unwell is a fitness that a test sets.
type unwell struct {
	now     record.Fitness
	refuses atomic.Bool
	takes   atomic.Bool // a check takes what is offered
}

// looksAt has an intake that runs ask a fitness.
func (b *bench) looksAt(u *unwell) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.fitness = u
}

const notHere = "Balance b-12 is out of service (failed: daily): no weight is recorded here."

func (u *unwell) Now(string) record.Fitness               { return u.now }
func (u *unwell) Judge(*record.Weighing) []record.Verdict { return nil }
func (u *unwell) Offer(Offered) []record.Body {
	if u.takes.Load() {
		return []record.Body{&record.CheckStep{Became: record.AttemptTaken}}
	}
	return nil
}
func (u *unwell) Refusal(string) string {
	if u.refuses.Load() {
		return notHere
	}
	return ""
}

// TestAPrintOfABalanceOutOfServiceIsRecordedAndSaidToBe: nothing that the balance printed is lost, whatever the policy; whoever stands there
// is told what it is worth.
func TestAPrintOfABalanceOutOfServiceIsRecordedAndSaidToBe(t *testing.T) {
	for _, c := range []struct {
		state         string
		held, refuses bool
		said          string
	}{
		{record.InService, false, false, "recorded 12.345 #"},
		{record.CheckDue, false, false, "recorded 12.345 #"},
		{record.CheckOverdue, false, false, "recorded 12.345 #: A check of the balance is overdue."},
		{record.OutOfService, false, false, "recorded 12.345 #: The balance is out of service."},
		{record.OutOfService, true, false, "recorded 12.345 #: The balance is out of service: this is held back from every destination until somebody releases it."},
		{record.OutOfService, true, true, "refused 12.345 #: " + notHere + " This print is in the journal, marked, and held back from every destination until somebody releases it."},
	} {
		b := answering(t, nil, func(b *bench, print func(string)) {
			u := &unwell{now: record.Fitness{State: c.state, Held: c.held}}
			u.refuses.Store(c.refuses)
			b.looksAt(u)
			print("W 12.345 g S")
		})
		expectSaid(t, b, c.said)
		expect(t, b.journal.bodies(), "port-up 1", "weighing 12.345 g")
		for _, e := range b.journal.bodies() {
			if w, ok := e.(*record.Weighing); ok && (w.Fitness.State != c.state || w.Fitness.Held != c.held) {
				t.Errorf("%+v: the weighing says %+v", c, w.Fitness)
			}
		}
	}
}

// TestNoWeightIsRecordedOnRequestWhileThePolicyRefuses: the balance is not asked; a weight that is only to be shown it gives all the same;
// and what was asked for before the balance came out of service does not count, and stays as it came.
func TestNoWeightIsRecordedOnRequestWhileThePolicyRefuses(t *testing.T) {
	u := &unwell{now: record.Fitness{State: record.OutOfService, Held: true}}
	u.refuses.Store(true)
	w := &twoWay{}
	w.take = func(w *twoWay, _ string) { w.say("W 12.345 g S\r\n") }
	polled(t, nil, w, func(b *bench) {
		b.looksAt(u)
		var refused *record.AskRefused
		if _, err := b.Read(context.Background(), record.ReadRequest{Record: true}); !errors.As(err, &refused) || refused.Why != notHere || len(w.asked()) != 0 {
			t.Errorf("%v, and the balance got %q", err, w.asked())
		}
		if a, err := b.Read(context.Background(), record.ReadRequest{}); err != nil || a.Value.Digits != "12.345" || a.Recorded != "" {
			t.Errorf("to look at: %+v %v", a, err)
		}
		time.Sleep(time.Second)
		u.refuses.Store(false)
		w.take = func(w *twoWay, _ string) {
			u.refuses.Store(true)
			w.say("W 1.000 g S\r\n")
		}
		if _, err := b.Read(context.Background(), record.ReadRequest{Record: true}); !errors.As(err, &refused) || !strings.Contains(refused.Why, "out of service") {
			t.Errorf("out of service while it was asked: %v", err)
		}
		time.Sleep(time.Second)
		u.refuses.Store(false)
		w.take = func(w *twoWay, _ string) { w.say("W 2.000 g S\r\n") }
		if a, err := b.Read(context.Background(), record.ReadRequest{Record: true}); err != nil || a.Recorded == "" {
			t.Errorf("in service again: %+v %v", a, err)
		}
		expect(t, b.journal.bodies(), "port-up 1", "unread "+strings.SplitN(notHere, ":", 2)[0], "weighing 2.000 g")
	})
}

// TestWhatARunningCheckDoesNotTakeIsAWeighingInCheck: it is recorded, its verdict says that a check was under way, it is held where the policy
// has it so, and whoever stands there is told. What nobody had printed is for the check alone.
func TestWhatARunningCheckDoesNotTakeIsAWeighingInCheck(t *testing.T) {
	const why = "A check of the balance was under way, and did not take this print: it may be of a reference weight."
	for _, c := range []struct {
		held, refuses bool
		said          string
	}{
		{false, false, "recorded 12.345 #: " + why},
		{true, false, "recorded 12.345 #: This is held back from every destination until somebody releases it. " + why},
		{true, true, "refused 12.345 #: " + notHere + " This print is in the journal, marked, and held back from every destination until somebody releases it. " + why},
	} {
		b := answering(t, nil, func(b *bench, print func(string)) {
			u := &unwell{now: record.Fitness{State: record.InCheck, Held: c.held}}
			u.refuses.Store(c.refuses)
			b.looksAt(u)
			print("W 12.345 g S")
		})
		expectSaid(t, b, c.said)
		expect(t, b.journal.bodies(), "port-up 1", "weighing 12.345 g")
		for _, e := range b.journal.bodies() {
			if w, ok := e.(*record.Weighing); ok && (w.Fitness.State != record.InCheck || w.Fitness.Held != c.held || len(w.Verdicts) != 1 || !w.Verdicts[0].Failed()) {
				t.Errorf("%+v: the weighing says %+v %+v", c, w.Fitness, w.Verdicts)
			}
		}
	}
}

// TestAWeightThatARequestHasRecordedDuringACheckSaysSo, whether the check took it or not: it may be of a reference weight.
func TestAWeightThatARequestHasRecordedDuringACheckSaysSo(t *testing.T) {
	for takes, why := range map[bool]string{false: "did not take this print", true: "took this reading as its own"} {
		u := &unwell{now: record.Fitness{State: record.InCheck, Held: true}}
		u.takes.Store(takes)
		w := &twoWay{}
		w.take = func(w *twoWay, _ string) { w.say("W 200.000 g S\r\n") }
		polled(t, nil, w, func(b *bench) {
			b.looksAt(u)
			if a, err := b.Read(context.Background(), record.ReadRequest{Record: true}); err != nil || a.Recorded == "" {
				t.Errorf("%+v %v", a, err)
			}
			n := 0
			for _, e := range b.journal.bodies() {
				if w, ok := e.(*record.Weighing); ok {
					n++
					if len(w.Verdicts) != 1 || w.Verdicts[0].Rule != ruleInCheck || !w.Verdicts[0].Failed() || !strings.Contains(w.Verdicts[0].Why, why) {
						t.Errorf("taken %v: %+v", takes, w.Verdicts)
					}
				}
			}
			if n != 1 {
				t.Errorf("taken %v: %d weighings", takes, n)
			}
		})
	}
}

// TestABalanceIsAskedWhileItIsChecked: one that is asked only on request, while somebody looks, or seldom is asked each second while a check
// of it is under way, and as before once it has ended; one that nobody can ask is not.
func TestABalanceIsAskedWhileItIsChecked(t *testing.T) {
	for _, c := range []struct {
		ask                   *AskConfig
		rule                  string
		before, during, after int // questions within 10 s
	}{
		{&AskConfig{Send: "\x05"}, Settling, 0, 10, 0},
		{&AskConfig{Send: "\x05"}, Printed, 0, 0, 0}, // its key is there
		{&AskConfig{Send: "\x05", Every: strict.Duration(time.Second), WhileWatched: true}, Printed, 0, 10, 0},
		{&AskConfig{Send: "\x05", Every: strict.Duration(time.Hour)}, Settling, 0, 10, 0},
		{&AskConfig{Send: "\x05", Every: strict.Duration(500 * time.Millisecond)}, Settling, 20, 20, 20},
		{nil, Printed, 0, 0, 0},
	} {
		w := &twoWay{take: after(0, "W 1.000 g S\r\n")}
		polled(t, func(cfg *Config) { cfg.Ask, cfg.Record = c.ask, Rule{Kind: c.rule, Settled: DefaultSettled} }, w, func(b *bench) {
			time.Sleep(50 * time.Millisecond)
			last := len(w.asked())
			count := func(state string, want int) {
				t.Helper()
				b.looksAt(&unwell{now: record.Fitness{State: state}})
				time.Sleep(10 * time.Second)
				all := len(w.asked())
				if n := all - last; n < want-1 || n > want+1 {
					t.Errorf("%+v: asked %d times in 10 s while the balance was %s, and not about %d", c.ask, n, state, want)
				}
				last = all
			}
			count(record.InService, c.before)
			count(record.InCheck, c.during)
			count(record.InService, c.after)
		})
	}
}
