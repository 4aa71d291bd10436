package fitness_test

import (
	"context"
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/fitness"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func daily(more ...func(*fitness.Config)) fitness.Config {
	c := fitness.Default()
	c.Checks = []fitness.Scheduled{{Check: "daily", Every: "day", Grace: strict.Duration(6 * time.Hour), After: []string{record.Moved}}}
	for _, f := range more {
		f(&c)
	}
	return c
}

func refused(t *testing.T, err error, with string) {
	t.Helper()
	var r *record.NotDone
	if !errors.As(err, &r) || !strings.Contains(r.Why, with) {
		t.Errorf("%v: not refused with %q", err, with)
	}
}

// TestADay goes through the states of a balance with a daily check: due at once, in service, due at midnight of the site, overdue after the
// grace; each change is one entry, and so is each reminder.
func TestADay(t *testing.T) {
	l := newLab(t, daily())
	l.state(record.CheckDue)
	l.later(5 * time.Hour)
	l.state(record.CheckDue)
	l.later(2 * time.Hour)
	l.state(record.CheckOverdue)
	l.check("daily", record.CheckScheduled, record.CheckPassed, nil)
	l.state(record.InService)
	l.at(time.Date(2026, 11, 30, 23, 59, 59, 0, time.UTC))
	l.state(record.InService)
	l.at(time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC))
	l.state(record.CheckDue)
	for range 3 {
		l.later(time.Minute)
	}
	if n := l.kinds(record.KindFitnessChanged); n != 5 { // due, overdue, in check, in service, due
		t.Errorf("%d changes of state", n)
	}
	if n := l.kinds(record.KindCheckReminder); n != 3 { // due and overdue, and due again
		t.Errorf("%d reminders", n)
	}
	l.check("daily", record.CheckScheduled, record.CheckWarned, nil)
	l.state(record.InService)
	l.later(time.Hour)
	l.does(l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Moved, Place: "room 4", By: ada}))
	l.state(record.CheckDue)
}

// TestADayBeginsAtTheSite has a daily check due at the site's midnight, also on the days on which its clocks change.
func TestADayBeginsAtTheSite(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	needs.That(t, err == nil, "time zones")
	l := newLab(t, daily())
	l.end()
	l.zone = zone
	l.start()
	for _, day := range []time.Time{time.Date(2027, 3, 27, 9, 0, 0, 0, zone), time.Date(2027, 3, 28, 9, 0, 0, 0, zone), time.Date(2027, 10, 31, 9, 0, 0, 0, zone)} {
		l.at(day)
		l.check("daily", record.CheckScheduled, record.CheckPassed, nil)
		midnight := time.Date(day.Year(), day.Month(), day.Day()+1, 0, 0, 0, 0, zone)
		l.at(midnight.Add(-time.Second))
		l.state(record.InService)
		l.at(midnight)
		l.state(record.CheckDue)
	}
}

// TestOverdueByPolicy takes a balance out of service for an overdue check, and only the check ends it.
func TestOverdueByPolicy(t *testing.T) {
	l := newLab(t, daily(func(c *fitness.Config) { c.Overdue, c.Checks[0].BeforeUse = fitness.OutsideLimits, true }))
	l.state(record.OutOfService)
	refused(t, l.room.PutBack(t.Context(), "b-12", "it looks fine", ada), "only the check ends that")
	l.check("daily", record.CheckScheduled, record.CheckAborted, nil)
	l.state(record.OutOfService)
	l.check("daily", record.CheckScheduled, record.CheckPassed, nil)
	l.state(record.InService)
}

// TestAFailedCheck takes a balance out of service, lists what is in doubt, and cannot be closed while one weighing is unjudged. The check
// that passes after an adjustment does not take the doubt away.
func TestAFailedCheck(t *testing.T) {
	l := newLab(t, daily())
	before := l.weighs(3)
	l.check("daily", record.CheckScheduled, record.CheckPassed, nil)
	doubtful := l.weighs(5)
	failed := l.check("daily", record.CheckAsFound, record.CheckFailed, nil)
	l.state(record.OutOfService)
	after := l.weighs(1)
	one, ok := l.room.Failure("b-12", failed)
	if !ok || one.After < before[2].Seq || one.After >= doubtful[0].Seq || one.Before <= doubtful[4].Seq || one.Before >= after[0].Seq {
		t.Fatalf("%v %+v", ok, one)
	}
	refused(t, l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Adjusted, By: ada}), "would be lost")
	l.does(l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Adjusted, AsFound: failed, By: ada}))
	passed := l.check("daily", record.CheckAsLeft, record.CheckPassed, nil)
	l.state(record.InService)
	refused(t, l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Adjusted, AsFound: passed, AsLeft: failed, By: ada}), "as left was begun before")
	refused(t, l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Adjusted, AsFound: passed, AsLeft: passed, By: ada}), "as left was begun before")
	refused(t, l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Adjusted, AsFound: failed, AsLeft: passed, By: ada}), "from before the adjustment that is noted already")
	refused(t, l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Repaired, AsFound: failed, By: ada}), "from before the adjustment that is noted already")
	l.does(l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Repaired, AsFound: passed, By: ada}))
	aborted := l.check("daily", record.CheckAsFound, record.CheckAborted, nil)
	refused(t, l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Adjusted, AsFound: aborted, By: ada}), "without a verdict")

	left := func(_ context.Context, f fitness.Failure) (int, error) { return len(doubtful) - len(f.Judged), nil }
	judge := func(effect string, refs ...record.EntryRef) error {
		_, err := l.room.JudgeAffected(t.Context(), record.AffectedJudged{Balance: record.Balance{ID: "b-12"}, Check: failed, Weighings: refs, Effect: effect, Reason: "lots of 50 g, tolerance 1 %", By: ada}, false)
		return err
	}
	refused(t, judge(record.EffectNone, before[0]), "not among those")
	refused(t, judge(record.EffectNone, after[0]), "not among those")
	refused(t, judge("harmless", doubtful[0]), "no judgement")
	l.does(judge(record.EffectNone, doubtful[:4]...))
	refused(t, l.room.Close(t.Context(), "b-12", failed, "judged", ada, left), "1 weighings")
	l.does(judge(record.EffectAffected, doubtful[4]))
	refused(t, l.room.Close(t.Context(), "b-12", failed, " ", ada, left), "reason")
	l.does(l.room.Close(t.Context(), "b-12", failed, "judged", ada, left))
	refused(t, l.room.Close(t.Context(), "b-12", failed, "again", ada, left), "is closed")
	refused(t, judge(record.EffectNone, doubtful[0]), "is closed")
	if one, _ = l.room.Failure("b-12", failed); !one.Closed || one.Affected() != 1 || len(one.Judged) != 5 {
		t.Errorf("%+v", one)
	}
}

// TestWhatWasPrintedDuringAFailedCheckIsInDoubt: what the check did not take, and what was printed before the failure was known and came into
// the journal after it. What was weighed when it was known, and after the balance was put back, is not.
func TestWhatWasPrintedDuringAFailedCheckIsInDoubt(t *testing.T) {
	l := newLab(t, daily())
	l.check("daily", record.CheckScheduled, record.CheckPassed, nil)
	begin := func() *record.CheckBegun {
		b := &record.CheckBegun{Check: record.CheckRef{Definition: "daily"}, Balance: record.Balance{ID: "b-12"}, Why: record.CheckAsked, By: ada}
		l.does(l.room.Begin(t.Context(), b))
		return b
	}
	end := func(b *record.CheckBegun, outcome string) {
		l.does(l.room.End(t.Context(), &record.CheckEnded{Check: b.Check, Balance: b.Balance, Outcome: outcome, By: ada}))
	}
	doubted := func(check string, w record.EntryRef) bool {
		one, ok := l.room.Failure("b-12", check)
		if !ok {
			t.Fatal("there is no failure of ", check)
		}
		return w.Seq > one.After && w.Seq < one.Before
	}
	first := begin()
	during, inCheck := l.weighs(1)[0], l.room.Now("b-12")
	if inCheck.State != record.InCheck || !inCheck.Held {
		t.Errorf("during the check %+v", inCheck)
	}
	end(first, record.CheckFailed)
	late := l.weighsAs(1, inCheck)[0]
	known := l.weighs(1)[0]
	wrong := l.weighsAs(1, inCheck)[0] // cannot be: what is known stays known
	l.restart()
	for what, w := range map[string]record.EntryRef{"during the check": during, "late in the journal": late} {
		if !doubted(first.Check.ID, w) {
			t.Errorf("%s: it is not in doubt", what)
		}
	}
	for what, w := range map[string]record.EntryRef{"after the failure was known": known, "then": wrong} {
		if doubted(first.Check.ID, w) {
			t.Errorf("%s: it is in doubt", what)
		}
	}
	l.does(l.room.PutBack(t.Context(), "b-12", "the weight was dirty", ada))
	if w := l.weighs(1)[0]; doubted(first.Check.ID, w) {
		t.Error("put back: it is in doubt")
	}
	second := begin()
	alone := l.weighs(1)[0]
	end(second, record.CheckFailed)
	if !doubted(second.Check.ID, alone) {
		t.Error("during a check, and nothing came late: it is not in doubt")
	}
	l.does(l.room.PutBack(t.Context(), "b-12", "the weight was dirty again", ada))
	if w := l.weighs(1)[0]; doubted(second.Check.ID, w) {
		t.Error("put back with nothing weighed meanwhile: it is in doubt")
	}
	third := begin()
	in := l.weighs(1)[0]
	end(third, record.CheckPassed)
	after := l.weighs(1)[0]
	fourth := begin()
	end(fourth, record.CheckFailed)
	if doubted(fourth.Check.ID, in) || !doubted(fourth.Check.ID, after) {
		t.Error("what was printed before a check passed is in doubt by the next, or what was weighed after it is not")
	}
	// One that was closed in haste is open again when something comes late.
	none := func(context.Context, fitness.Failure) (int, error) { return 0, nil }
	l.does(l.room.Close(t.Context(), "b-12", fourth.Check.ID, "all is judged", ada, none))
	l.weighsAs(1, inCheck)
	l.look()
	if one, _ := l.room.Failure("b-12", fourth.Check.ID); one.Closed {
		t.Error("it stays closed")
	}
}

// TestAPersonTakesOutAndPutsBack with reasons, and answers for a failed check.
func TestAPersonTakesOutAndPutsBack(t *testing.T) {
	l := newLab(t, daily())
	l.check("daily", record.CheckScheduled, record.CheckPassed, nil)
	refused(t, l.room.TakeOut(t.Context(), "b-12", "", ada), "reason")
	refused(t, l.room.PutBack(t.Context(), "b-12", "why not", ada), "not out of service")
	l.does(l.room.TakeOut(t.Context(), "b-12", "something was spilt on it", ada))
	l.state(record.OutOfService)
	refused(t, l.room.TakeOut(t.Context(), "b-12", "again", ada), "already")
	l.check("daily", record.CheckAsked, record.CheckPassed, nil)
	l.state(record.OutOfService) // who took it out said why: a check does not know whether that is over
	l.does(l.room.PutBack(t.Context(), "b-12", "cleaned and dried", ada))
	l.state(record.InService)
	l.check("daily", record.CheckAsked, record.CheckFailed, nil)
	l.state(record.OutOfService)
	l.does(l.room.PutBack(t.Context(), "b-12", "the weight was dirty; checked by hand", ada))
	l.state(record.InService)
	if err := l.room.TakeOut(t.Context(), "b-99", "x", ada); !errors.Is(err, record.ErrNoBalance) {
		t.Error(err)
	}
}

// TestARestartChangesNothing: what is known after one, with what was written down or without, is what was known before.
func TestARestartChangesNothing(t *testing.T) {
	l := newLab(t, daily(func(c *fitness.Config) { c.Minimum.USP41 = true }))
	_, err := l.room.Register(t.Context(), record.ReferenceWeight{ID: "f1-200", Nominal: "200 g", Class: "F1"}, "", ada)
	l.does(err)
	l.check("daily", record.CheckScheduled, record.CheckPassed, &record.MinimumWeight{Mass: "0.0820 g", Source: "USP <41>"})
	l.weighs(2)
	failed := l.check("daily", record.CheckScheduled, record.CheckFailed, nil)
	l.does(l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Repaired, Unfound: "it did not switch on", By: ada}))
	l.does(l.room.Begin(t.Context(), &record.CheckBegun{Check: record.CheckRef{Definition: "daily"}, Balance: record.Balance{ID: "b-12"}, By: ada}))
	was, _ := l.room.File("b-12")
	weights, n := l.room.Weights(), l.journal.Head()
	for _, how := range []string{"with", "without"} {
		l.end()
		if how == "without" {
			l.dir = t.TempDir()
		}
		l.start()
		is, _ := l.room.File("b-12")
		if !reflect.DeepEqual(is, was) || !reflect.DeepEqual(l.room.Weights(), weights) || l.journal.Head() != n {
			t.Errorf("%s what was written down: %+v, not %+v; %d entries more", how, is, was, l.journal.Head()-n)
		}
		if b, _ := l.room.Running("b-12"); b == nil || b.Check.ID != "b-12/c000003" || failed != "b-12/c000002" {
			t.Errorf("%s: %+v, failed %s", how, b, failed)
		}
	}
	// A check that never passed does not become less overdue by restarts.
	fresh := newLab(t, daily())
	fresh.later(5 * time.Hour)
	fresh.restart()
	fresh.later(2 * time.Hour)
	fresh.state(record.CheckOverdue)
}

// TestTheMinimumWeightInForce is the greatest of those that are configured, and none while one of them is not known.
func TestTheMinimumWeightInForce(t *testing.T) {
	l := newLab(t, daily(func(c *fitness.Config) {
		c.Minimum = fitness.Minimum{Mass: "20 mg", USP41: true, CG18: &fitness.CG18{Required: "0.10", Safety: "2"}}
	}))
	holds := func(mass record.Mass, why string) {
		t.Helper()
		m, got := l.room.Minimum("b-12")
		if (m == nil) != (mass == "") || m != nil && m.Mass != mass || !strings.Contains(got, why) {
			t.Errorf("%+v %q, not %s %q", m, got, mass, why)
		}
	}
	holds("", "repeatability")
	l.check("daily", record.CheckScheduled, record.CheckPassed, &record.MinimumWeight{Mass: "0.0820 g"})
	holds("", "certificate")
	refused(t, l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Calibrated, By: ada}), "certificate")
	for field, c := range map[string]record.Calibration{
		"calibration.date":  {Certificate: record.Certificate{Number: "4711", Date: "2026-12-24"}},
		"calibration.due":   {Certificate: record.Certificate{Number: "4711", Date: "2026-11-01", Due: "2026-11-01"}},
		"calibration.alpha": {Certificate: record.Certificate{Number: "4711", Date: "2026-11-01"}, Alpha: "0,1796 mg", Beta: "0.0000011"},
		"calibration.beta":  {Certificate: record.Certificate{Number: "4711", Date: "2026-11-01"}, Alpha: "0.1796 mg", Beta: "-0.0000011"},
		"calibration.k":     {Certificate: record.Certificate{Number: "4711", Date: "2026-11-01"}, Alpha: "0.1796 mg", Beta: "0.0000011", CoverageFactor: "95 %"},
	} {
		var not *record.NotDone
		if err := l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Calibrated, By: ada, Calibration: &c}); !errors.As(err, &not) || not.Field != field {
			t.Errorf("%s: %v", field, err)
		}
	}
	for beta, with := range map[string]string{"1.1e-6": "is no number", "0,0000011": "comma", "0.5": "has no unit", "": "both, or neither"} {
		refused(t, l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Calibrated, By: ada, Calibration: &record.Calibration{Certificate: record.Certificate{Number: "4711", Date: "2026-11-01"}, Alpha: "0.1796 mg", Beta: beta}}), with)
	}
	refused(t, l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Moved, By: ada, Calibration: &record.Calibration{Certificate: record.Certificate{Number: "4711", Date: "2026-11-01"}}}), "belongs to a calibration")
	l.does(l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Calibrated, By: ada, Calibration: &record.Calibration{Certificate: record.Certificate{Number: "4711", Date: "2026-11-01"}, Alpha: "0.1796 mg", Beta: "0.0000011"}}))
	// 0.0001796·2/(0.001 − 0.0000011·2) = 0.000359992, in grams 0.35999198…: greater than the others.
	holds("0.359992 g", "")
}

// TestWeights keeps the register: what is changed has a reason, and an id is never given to another weight.
func TestWeights(t *testing.T) {
	l := newLab(t, fitness.Default())
	w := record.ReferenceWeight{ID: "f1-200", Nominal: "200 g", Class: "F1", Conventional: "200.00012 g", Uncertainty: "0.10 mg", CoverageFactor: "2", Certificate: &record.Certificate{Number: "4711", Date: "2026-01-10", Due: "2027-01-10"}}
	got, err := l.room.Register(t.Context(), w, "", ada)
	if err != nil || got.Nominal != "200 g" || got.Entry == "" {
		t.Fatal(err, got)
	}
	if why, _ := got.Unfit("2027-01-10"); why != "" {
		t.Error(why)
	}
	if why, _ := got.Unfit("2027-01-11"); !strings.Contains(why, "2027-01-10") {
		t.Error(why)
	}
	for with, change := range map[string]func(*record.ReferenceWeight){
		"reason":          func(*record.ReferenceWeight) {},
		"id of its own":   func(w *record.ReferenceWeight) { w.Nominal, w.Conventional = "100 g", "" },
		"too far":         func(w *record.ReferenceWeight) { w.Conventional = "201 g" },
		"no weight of":    func(w *record.ReferenceWeight) { w.Nominal, w.Conventional = "250 g", "" },
		"no accuracy":     func(w *record.ReferenceWeight) { w.Class = "F3" },
		"coverage factor": func(w *record.ReferenceWeight) { w.CoverageFactor = "" },
		"not after": func(w *record.ReferenceWeight) {
			w.Certificate = &record.Certificate{Number: "1", Date: "2026-01-10", Due: "2026-01-10"}
		},
		"write it as":      func(w *record.ReferenceWeight) { w.Certificate = &record.Certificate{Date: "10.1.2026"} },
		"cannot be print":  func(w *record.ReferenceWeight) { w.Set = "a\x00b" },
		"is no number":     func(w *record.ReferenceWeight) { w.Density = "heavy" },
		"id of the weight": func(w *record.ReferenceWeight) { w.ID = "../x" },
	} {
		other := w
		change(&other)
		_, err := l.room.Register(t.Context(), other, "", ada)
		refused(t, err, with)
	}
	w.Certificate = &record.Certificate{Number: "4812", Date: "2026-11-08", Due: "2027-11-08"}
	if _, err := l.room.Register(t.Context(), w, "new certificate", ada); err != nil {
		t.Fatal(err)
	}
	if _, err := l.room.Withdraw(t.Context(), "f1-200", "dropped", ada); err != nil {
		t.Fatal(err)
	}
	_, err = l.room.Register(t.Context(), w, "found again", ada)
	refused(t, err, "withdrawn")
	if _, err := l.room.Withdraw(t.Context(), "f1-500", "lost", ada); !errors.Is(err, record.ErrNoWeight) {
		t.Error(err)
	}
	if n := l.kinds(record.KindWeightChanged); n != 3 {
		t.Errorf("%d entries", n)
	}
}

// TestWhatCannotBeRecordedIsNotDone leaves everything as it was where the journal takes nothing.
func TestWhatCannotBeRecordedIsNotDone(t *testing.T) {
	l := newLab(t, daily())
	l.journal.FailAppends(errors.New("the disk is full"))
	if err := l.room.TakeOut(t.Context(), "b-12", "spilt", ada); err == nil {
		t.Error("taken out without an entry")
	}
	if _, err := l.room.Register(t.Context(), record.ReferenceWeight{ID: "w", Nominal: "1 g"}, "", ada); err == nil || len(l.room.Weights()) != 0 {
		t.Errorf("%v: %v", err, l.room.Weights())
	}
	l.journal.FailAppends(nil)
	l.state(record.CheckDue)
}

// TestConfig finds every mistake.
func TestConfig(t *testing.T) {
	known := func(name string) bool { return name == "daily" }
	for want, change := range map[string]func(*fitness.Config){
		"schedule[0].check":                   func(c *fitness.Config) { c.Checks[0].Check = "weekly" },
		"schedule[0].every":                   func(c *fitness.Config) { c.Checks[0].Every = "often" },
		"schedule[0].grace":                   func(c *fitness.Config) { c.Checks[0].Grace = strict.Duration(10000 * time.Hour) },
		"schedule[0].after[0]":                func(c *fitness.Config) { c.Checks[0].After = []string{"rain"} },
		"unfit":                               func(c *fitness.Config) { c.Unfit = "burn" },
		"overdue":                             func(c *fitness.Config) { c.Overdue = "never" },
		"minimum_weight.mass":                 func(c *fitness.Config) { c.Minimum.Mass = "little" },
		"minimum_weight.certificate.required": func(c *fitness.Config) { c.Minimum.CG18 = &fitness.CG18{Required: "0", Safety: "2"} },
		"minimum_weight.certificate.safety":   func(c *fitness.Config) { c.Minimum.CG18 = &fitness.CG18{Required: "0.1", Safety: "0.5"} },
		"schedule[1].check":                   func(c *fitness.Config) { c.Checks = append(c.Checks, c.Checks[0]) },
	} {
		c := daily(change)
		r := strict.NewReport("fitness")
		c.Check(r, known)
		if f := r.Faults(); len(f) != 1 || !strings.Contains(f[0].Error(), want) {
			t.Errorf("%s: %v", want, f)
		}
	}
}

// TestTheCheckAsLeftIsNotDueAgain: an adjustment that is noted after its check as left asks for no other, also after a restart; one whose check
// as left is not known to have come after it does.
func TestTheCheckAsLeftIsNotDueAgain(t *testing.T) {
	l := newLab(t, daily(func(c *fitness.Config) { c.Checks[0].After = []string{record.Moved, record.Adjusted} }))
	found := l.check("daily", record.CheckAsFound, record.CheckPassed, nil)
	left := l.check("daily", record.CheckAsLeft, record.CheckPassed, nil)
	l.does(l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Adjusted, AsFound: found, AsLeft: left, By: ada}))
	l.state(record.InService)
	l.restart()
	l.state(record.InService)
	l.later(time.Minute)
	l.does(l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Moved, Place: "room 4", AsLeft: left, By: ada}))
	l.state(record.CheckDue)
	left = l.check("daily", record.CheckAsLeft, record.CheckPassed, nil)
	l.state(record.InService)
	l.does(l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Adjusted, AsFound: left, By: ada}))
	l.state(record.CheckDue)
}
