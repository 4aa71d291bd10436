package fitness_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/fitness"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

func (l *lab) judge(check, effect string, rest bool, refs ...record.EntryRef) (int, error) {
	return l.room.JudgeAffected(l.t.Context(), record.AffectedJudged{Balance: record.Balance{ID: "b-12"}, Check: check, Weighings: refs, Effect: effect, Reason: "compared", By: ada}, rest)
}

// TestADueDateIsNotEscapedByAClock: a pass from a year that has not come is as good as none, at once where the check stands before use or its
// being overdue takes the balance out of service; and what was done to the balance while the clock was ahead makes its check due all the same.
func TestADueDateIsNotEscapedByAClock(t *testing.T) {
	for want, change := range map[string]func(*fitness.Config){
		record.CheckDue:     func(*fitness.Config) {},
		record.CheckOverdue: func(c *fitness.Config) { c.Checks[0].BeforeUse = true },
		record.OutOfService: func(c *fitness.Config) { c.Overdue = fitness.OutsideLimits },
	} {
		l := newLab(t, daily(change))
		right := l.now
		l.at(right.AddDate(1, 0, 0))
		l.check("daily", record.CheckAsked, record.CheckPassed, nil)
		l.at(right)
		l.state(want)
		l.restart()
		l.state(want)
		if now := l.room.Now("b-12"); now.Held != (want == record.OutOfService) {
			t.Errorf("%s: %+v", want, now)
		}
		l.check("daily", record.CheckAsked, record.CheckPassed, nil)
		l.state(record.InService)
	}
	l := newLab(t, daily())
	right := l.now
	l.check("daily", record.CheckAsked, record.CheckPassed, nil)
	l.at(right.AddDate(1, 0, 0))
	l.does(l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Moved, Place: "room 4", By: ada}))
	l.at(right.Add(time.Minute))
	l.state(record.CheckDue)
	if f, _ := l.room.File("b-12"); f.Schedule[0].Because != record.Moved {
		t.Errorf("%+v", f.Schedule)
	}
	n := l.kinds(record.KindCheckReminder)
	for range 3 {
		l.later(time.Minute)
	}
	if again := l.kinds(record.KindCheckReminder); again != n {
		t.Errorf("%d reminders of the same", again-n)
	}
	l.check("daily", record.CheckMoved, record.CheckPassed, nil)
	l.state(record.InService)
	l.at(right.Add(-50 * time.Minute)) // a clock that is set back by less than an hour is no alarm, and takes nothing away
	l.state(record.InService)
	l.does(l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Moved, Place: "room 5", By: ada}))
	l.state(record.CheckDue)
}

// TestADayThatHasNoMidnight: where clocks jump from 0 to 1 o'clock, the day begins at one; a check before that is of the day before, and is due once
// on the days of 23 and of 25 hours. The days are those of the IANA time zone database.
func TestADayThatHasNoMidnight(t *testing.T) {
	for name, days := range map[string][2][3]int{"Asia/Beirut": {{2027, 3, 28}, {2027, 10, 31}}, "America/Santiago": {{2027, 9, 5}, {2027, 4, 4}}} {
		zone, err := time.LoadLocation(name)
		needs.That(t, err == nil, "time zones")
		l := newLab(t, daily())
		l.end()
		l.zone = zone
		l.start()
		for i, d := range days {
			noon := time.Date(d[0], time.Month(d[1]), d[2], 12, 0, 0, 0, zone)
			l.at(noon.Add(-15 * time.Hour))
			l.check("daily", record.CheckScheduled, record.CheckPassed, nil)
			for range 15 * 2 {
				was := l.now.In(zone)
				l.later(30 * time.Minute)
				is, due := l.now.In(zone), l.room.Of("b-12").State == record.CheckDue
				if due != (was.Day() != is.Day()) {
					t.Fatalf("%s: from %s to %s: due %v", name, was, is, due)
				}
				if due {
					if i == 0 && is.Hour() != 1 {
						t.Fatalf("%s: this day has a midnight", is)
					}
					l.check("daily", record.CheckScheduled, record.CheckPassed, nil)
				}
			}
		}
	}
}

// TestMonthsAreNotLongerThanTheyAre: a check of the 31st is due on the last day of a shorter month, not in the one after it.
func TestMonthsAreNotLongerThanTheyAre(t *testing.T) {
	for _, c := range []struct{ every, last, due string }{{"month", "2027-01-31", "2027-02-28"}, {"quarter", "2026-11-30", "2027-02-28"}, {"year", "2028-02-29", "2029-02-28"},
		{"month", "2027-02-28", "2027-03-28"}, {"week", "2027-01-31", "2027-02-07"}, {"90 days", "2026-12-01", "2027-03-01"}} {
		l := newLab(t, daily(func(cfg *fitness.Config) { cfg.Checks[0].Every = c.every }))
		last, _ := time.Parse(time.DateOnly, c.last)
		l.at(last.Add(9 * time.Hour))
		l.check("daily", record.CheckScheduled, record.CheckPassed, nil)
		if f, _ := l.room.File("b-12"); f.Schedule[0].At.Format(time.DateOnly) != c.due {
			t.Errorf("every %s after %s: due %s, not %s", c.every, c.last, f.Schedule[0].At, c.due)
		}
	}
}

// TestWhatIsPrintedDuringTheCheckThatFailsIsInDoubt: from the last good check to when the balance went out of service, over whatever was
// written down; none of it can be closed over.
func TestWhatIsPrintedDuringTheCheckThatFailsIsInDoubt(t *testing.T) {
	l := newLab(t, daily())
	l.check("daily", record.CheckScheduled, record.CheckPassed, nil)
	before := l.weighs(1)
	b := &record.CheckBegun{Check: record.CheckRef{Definition: "daily"}, Balance: record.Balance{ID: "b-12"}, By: ada}
	l.does(l.room.Begin(t.Context(), b))
	during := l.weighs(1)
	l.restart()
	l.does(l.room.End(t.Context(), &record.CheckEnded{Check: b.Check, Balance: b.Balance, Outcome: record.CheckFailed, By: ada}))
	l.state(record.OutOfService)
	after := l.weighs(1)
	l.restart()
	f, ok := l.room.Failure("b-12", b.Check.ID)
	for _, ref := range slices.Concat(before, during) {
		if !ok || ref.Seq <= f.After || ref.Seq >= f.Before {
			t.Errorf("%d is not between %d and %d", ref.Seq, f.After, f.Before)
		}
	}
	if after[0].Seq < f.Before {
		t.Errorf("what was weighed out of service is marked as such, and in doubt too: %d before %d", after[0].Seq, f.Before)
	}
	if n, err := l.judge(b.Check.ID, record.EffectNone, false, during...); err != nil || n != 1 {
		t.Error(n, err)
	}
}

// TestTwoPeopleJudgeTheSame: a judgement on all the rest does not take the place of what somebody has just judged; one by name does, and both are
// entries.
func TestTwoPeopleJudgeTheSame(t *testing.T) {
	l := newLab(t, daily())
	refs := l.weighs(3)
	failed := l.check("daily", record.CheckScheduled, record.CheckFailed, nil)
	if n, err := l.judge(failed, record.EffectAffected, false, refs[0]); err != nil || n != 1 {
		t.Fatal(n, err)
	}
	if n, err := l.judge(failed, record.EffectNone, true, refs...); err != nil || n != 2 { // it had seen none of them judged
		t.Fatal(n, err)
	}
	if n, err := l.judge(failed, record.EffectNone, true, refs...); err != nil || n != 0 {
		t.Fatal(n, err)
	}
	if f, _ := l.room.Failure("b-12", failed); f.Affected() != 1 || f.Judged[refs[0].Seq] != record.EffectAffected || len(f.Judged) != 3 {
		t.Errorf("%+v", f)
	}
	if n, err := l.judge(failed, record.EffectNone, false, refs[0]); err != nil || n != 1 {
		t.Fatal(n, err)
	}
	if f, _ := l.room.Failure("b-12", failed); f.Affected() != 0 || l.kinds(record.KindAffectedJudged) != 3 {
		t.Errorf("%+v", f)
	}
	l.does(l.room.Close(t.Context(), "b-12", failed, "weighed again", ada, func(context.Context, fitness.Failure) (int, error) { return 0, nil }))
	if _, err := l.judge(failed, record.EffectAffected, true, refs...); err == nil {
		t.Error("judged after it was closed")
	}
}

// TestAnAdjustmentNamesWhatWasFound: not a check without a verdict, not one from before another adjustment, not one as left that came first.
func TestAnAdjustmentNamesWhatWasFound(t *testing.T) {
	l := newLab(t, daily())
	adjust := func(found, left string) error {
		return l.room.Upkeep(t.Context(), "b-12", record.Upkeep{Act: record.Adjusted, AsFound: found, AsLeft: left, By: ada})
	}
	old := l.check("daily", record.CheckAsked, record.CheckPassed, nil)
	aborted := l.check("daily", record.CheckAsFound, record.CheckAborted, nil)
	refused(t, adjust(aborted, ""), "without a verdict")
	found := l.check("daily", record.CheckAsFound, record.CheckFailed, nil)
	left := l.check("daily", record.CheckAsLeft, record.CheckPassed, nil)
	refused(t, adjust(left, found), "was begun before")
	l.does(adjust(found, left))
	refused(t, adjust(old, ""), "from before the adjustment")
	refused(t, adjust(found, ""), "from before the adjustment")
	if f, ok := l.room.Failure("b-12", found); !ok || f.Closed { // adjusting and passing hides nothing
		t.Errorf("%+v", f)
	}
	l.does(adjust(l.check("daily", record.CheckAsFound, record.CheckPassed, nil), ""))
}

// TestOutOfServiceIsNotEscaped: not while the journal is read anew without what was written down, and not by taking the balance out of the
// settings and putting it back.
func TestOutOfServiceIsNotEscaped(t *testing.T) {
	l := newLab(t, daily(func(c *fitness.Config) { c.Unfit = fitness.Refuse }))
	l.check("daily", record.CheckScheduled, record.CheckFailed, nil)
	l.end()
	room := fitness.New(fitness.Options{Dir: t.TempDir(), Journal: l.journal, Stamp: func() record.Stamp { return record.Stamp{UTC: record.UTC(l.now)} },
		Balances: func() []fitness.Balance {
			return []fitness.Balance{{Describe: record.Balance{ID: "b-12"}, Config: l.cfg}}
		}})
	if now := room.Now("b-12"); !now.Held || !strings.Contains(room.Refusal("b-12"), "still being read") {
		t.Errorf("before the journal is read: %+v %q", now, room.Refusal("b-12"))
	}
	l.start()
	l.state(record.OutOfService)
	there := l.cfg
	l.end()
	l.gone = true
	l.start()
	if err := l.room.PutBack(t.Context(), "b-12", "it is not here", ada); err == nil {
		t.Error("a balance that is not configured was put back")
	}
	l.later(48 * time.Hour)
	l.end()
	l.gone, l.cfg = false, there
	l.start()
	l.state(record.OutOfService)
	if now := l.room.Now("b-12"); !now.Held {
		t.Errorf("%+v", now)
	}
}

// TestSeveralChecks has the worst of them count, each with its own failure, and each ended by its own pass alone.
func TestSeveralChecks(t *testing.T) {
	l := newLab(t, daily(func(c *fitness.Config) {
		c.Checks = append(c.Checks, fitness.Scheduled{Check: "weekly", Every: "week", Grace: strict.Duration(time.Hour)})
	}))
	l.check("daily", record.CheckScheduled, record.CheckFailed, nil)
	l.check("weekly", record.CheckScheduled, record.CheckFailed, nil)
	l.check("daily", record.CheckScheduled, record.CheckPassed, nil)
	l.state(record.OutOfService)
	l.check("weekly", record.CheckScheduled, record.CheckAborted, nil)
	l.state(record.OutOfService)
	l.check("weekly", record.CheckScheduled, record.CheckWarned, nil)
	l.state(record.InService)
}
