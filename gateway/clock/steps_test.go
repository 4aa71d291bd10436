package clock

import (
	"errors"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
)

// checkedWorld is a computer whose clock was right, and is checked.
func checkedWorld(t *testing.T) *world {
	t.Helper()
	w := newWorld(t, noon, noon, threeServers)
	w.round(near, three(0)...)
	if s := w.stamp(t); s.Clock != record.ClockChecked || s.Sources != 3 {
		t.Fatalf("%+v", s)
	}
	w.look()
	w.clock.book.waiting = nil
	return w
}

var jumps = []struct {
	name string
	by   time.Duration
	to   time.Time // instead of by
	said string
}{
	{name: "a second forward", by: time.Second, said: "forward by 1.000000 s"},
	{name: "a second back", by: -time.Second, said: "back by 1.000000 s"},
	{name: "an hour forward", by: time.Hour, said: "forward by 3600.000000 s"},
	{name: "an hour back", by: -time.Hour, said: "back by 3600.000000 s"},
	{name: "a day forward", by: 24 * time.Hour, said: "forward by 86400.000000 s"},
	{name: "a day back", by: -24 * time.Hour, said: "back by 86400.000000 s"},
	{name: "to 1970", to: time.Unix(0, 0).UTC(), said: "set back by 17956"},
}

func (w *world) step(by time.Duration, to time.Time) time.Duration {
	if !to.IsZero() {
		by = to.Sub(w.wall)
	}
	w.wall = w.wall.Add(by)
	return by
}

// TestAStepIsAnEntryAndMovesNoCheckedStamp steps the system's clock under a checked clock.
func TestAStepIsAnEntryAndMovesNoCheckedStamp(t *testing.T) {
	for _, j := range jumps {
		t.Run(j.name, func(t *testing.T) {
			w := checkedWorld(t)
			before := w.stamp(t)
			by := w.step(j.by, j.to)
			if s := w.stamp(t); s.Clock != record.ClockChecked || s.UTC != before.UTC {
				t.Errorf("at once after the step: %+v, before %+v", s, before)
			}
			w.pass(time.Second)
			w.look()
			s := w.stamp(t)
			if s.Clock != record.ClockChecked || s.UTC.Time().Sub(before.UTC.Time()).Round(time.Millisecond) != time.Second {
				t.Errorf("a second later: %+v, before %+v", s, before)
			}
			list := w.entries()
			if len(list) != 1 || list[0].From != record.ClockChecked || list[0].State != record.ClockChecked || list[0].Step != "" ||
				!strings.Contains(list[0].Why, j.said) || !strings.Contains(list[0].Why, "do not follow") {
				t.Fatalf("%d entries: %+v", len(list), list[0])
			}
			f := w.clock.Facts()
			if f.LastStep == nil || f.LastStep.Clock.D() != by || f.LastStep.Stamps != 0 || (f.Computer.D()-by).Abs() > 20*time.Millisecond {
				t.Errorf("%+v %+v", f.LastStep, f.Computer)
			}
			if by.Abs() > time.Second && w.has(health.ComputerClockOff) == nil {
				t.Errorf("%v", w.board.List())
			}
			w.round(near, three(0)...)
			if s := w.stamp(t); s.Clock != record.ClockChecked || len(w.entries()) != 1 {
				t.Errorf("after the next agreement: %+v, %d entries", s, len(w.entries()))
			}
			w.step(-by, time.Time{})
			w.look()
			if len(w.entries()) != 2 || w.has(health.ComputerClockOff) != nil {
				t.Errorf("set right again: %d entries, %v", len(w.entries()), w.board.List())
			}
		})
	}
}

// TestAStepOfAnUncheckedClockIsAnEntryThatSaysByHowMuch has no servers: stamps follow the system's clock.
func TestAStepOfAnUncheckedClockIsAnEntryThatSaysByHowMuch(t *testing.T) {
	for _, j := range jumps {
		t.Run(j.name, func(t *testing.T) {
			w := newWorld(t, noon, noon, Config{})
			by := w.step(j.by, j.to)
			w.look()
			list := w.entries()
			if len(list) != 1 || list[0].State != record.ClockUnchecked || list[0].Step != signed(by) || !strings.Contains(list[0].Why, j.said) {
				t.Fatalf("%d entries: %+v", len(list), list)
			}
			if s := w.stamp(t); !s.UTC.Time().Equal(w.wall) || s.Clock != record.ClockUnchecked || s.Bound != nil {
				t.Errorf("%+v", s)
			}
		})
	}
}

// TestASleepMeansHoldoverUntilTheServersAgree suspends the computer for three hours, with a battery clock that is 0.8 s off.
func TestASleepMeansHoldoverUntilTheServersAgree(t *testing.T) {
	w := checkedWorld(t)
	w.sleep(3*time.Hour, 800*time.Millisecond)
	s := w.stamp(t) // before anything has looked
	if s.Clock != record.ClockHoldover || time.Duration(*s.Bound) < sleepError {
		t.Errorf("at once after the sleep: %+v", s)
	}
	w.pass(time.Second)
	w.look()
	if s := w.stamp(t); s.Clock != record.ClockHoldover {
		t.Errorf("%+v", s)
	}
	list := w.entries()
	if len(list) != 1 || list[0].From != record.ClockChecked || list[0].State != record.ClockHoldover || !strings.Contains(list[0].Why, "slept for 3h") || list[0].Step != "" {
		t.Fatalf("%+v", list)
	}
	if c := w.has(health.ClockHoldover); c == nil || !strings.Contains(c.Sentence, "slept for 3h") {
		t.Errorf("%v", w.board.List())
	}
	if servers, _ := w.clock.begin(w.read()); len(servers) != 3 {
		t.Errorf("%d servers are asked at once", len(servers))
	}
	w.round(near, three(0)...)
	if s := w.stamp(t); s.Clock != record.ClockChecked || time.Duration(*s.Bound) > 50*time.Millisecond {
		t.Errorf("after the servers agreed: %+v", s)
	}
	list = w.entries()
	if len(list) != 2 || list[1].From != record.ClockHoldover || list[1].State != record.ClockChecked || !strings.HasPrefix(list[1].Step, "-0.8") {
		t.Errorf("%+v", list[len(list)-1])
	}
}

// TestEachSleepHasAnErrorOfItsOwn suspends the computer three times, with a battery clock that loses 1.9 s each time, before
// any server can be asked.
func TestEachSleepHasAnErrorOfItsOwn(t *testing.T) {
	w := checkedWorld(t)
	for n := range 3 {
		w.sleep(time.Hour, 1900*time.Millisecond)
		m := w.moment()
		if why := outside(w.clock.stamp(m.now, m.wall), m); why != "" {
			t.Errorf("at once after sleep %d: %s", n+1, why)
		}
		w.pass(time.Second)
		w.look()
		m = w.moment()
		if why := outside(w.clock.stamp(m.now, m.wall), m); why != "" {
			t.Errorf("after sleep %d: %s", n+1, why)
		}
	}
}

// TestALineOfBeforeASleepIsNotMovedByIt stamps afterwards what arrived before: the bound holds both sides of the sleep.
func TestALineOfBeforeASleepIsNotMovedByIt(t *testing.T) {
	w := checkedWorld(t)
	m := w.moment()
	w.sleep(time.Minute, 0)
	w.look()
	s := w.clock.stamp(m.now, m.wall)
	if why := outside(s, m); why != "" || s.Clock != record.ClockHoldover {
		t.Errorf("%s %+v", why, s)
	}
}

// TestWhatWasAskedBeforeASleepIsNotUsed has the computer sleep between answer and judgement.
func TestWhatWasAskedBeforeASleepIsNotUsed(t *testing.T) {
	w := newWorld(t, noon, noon, threeServers)
	var answers []answer
	for _, s := range three(0) {
		answers = append(answers, w.ask(s, near))
	}
	w.sleep(time.Hour, 0)
	w.clock.judge(w.read(), answers)
	if s := w.stamp(t); s.Clock != record.ClockUnchecked {
		t.Errorf("%+v", s)
	}
}

// TestStartIn2000 has no battery clock, and the servers come later.
func TestStartIn2000(t *testing.T) {
	at := time.Date(2000, 1, 1, 0, 0, 20, 0, time.UTC)
	w := newWorld(t, noon, at, threeServers)
	mute := three(0)
	for i := range mute {
		mute[i].silent = true
	}
	for range 5 {
		w.round(near, mute...)
		if s := w.stamp(t); s.Clock != record.ClockUnchecked || s.Bound != nil || s.UTC.Time().Year() != 2000 {
			t.Fatalf("%+v", s)
		}
		w.pass(time.Minute)
		w.look()
	}
	if c := w.has(health.ClockUnchecked); c == nil || !strings.Contains(c.Sentence, "a.example: no answer came in time") {
		t.Errorf("%v", w.board.List())
	}
	if len(w.entries()) != 0 {
		t.Errorf("nothing changed, and yet %+v", w.entries()[0])
	}
	w.round(near, three(0)...)
	if s := w.stamp(t); s.Clock != record.ClockChecked || s.UTC.Time().Year() != 2026 {
		t.Errorf("%+v", s)
	}
	list := w.entries()
	if len(list) != 1 || list[0].From != record.ClockUnchecked || list[0].State != record.ClockChecked || len(list[0].Servers) != 3 {
		t.Fatalf("%+v", list)
	}
	if step, err := time.ParseDuration(list[0].Step[1:] + "s"); err != nil || (step-noon.Sub(at)).Abs() > 20*time.Millisecond {
		t.Errorf("the correction is %s, not %s", list[0].Step, noon.Sub(at))
	}
	if w.has(health.ClockUnchecked) != nil {
		t.Errorf("%v", w.board.List())
	}
}

// TestServersThatContradictTheStamps has the raw clock stand still unseen, as in a virtual machine that its host froze.
func TestServersThatContradictTheStamps(t *testing.T) {
	w := checkedWorld(t)
	w.truth = w.truth.Add(7 * time.Second)
	w.round(near, three(0)...)
	s := w.stamp(t)
	list := w.entries()
	if s.Clock != record.ClockChecked || len(list) != 1 || !strings.HasPrefix(list[0].Step, "+7.0") && !strings.HasPrefix(list[0].Step, "+6.9") ||
		!strings.Contains(list[0].Why, "The stamps were wrong: 3 of 3 time servers agree") {
		t.Fatalf("%+v %+v", s, list)
	}
	if c := w.has(health.ClockCorrected); c == nil || c.Severity != health.Warning {
		t.Errorf("%v", w.board.List())
	}
	w.pass(2 * time.Hour)
	w.round(near, three(0)...)
	if w.has(health.ClockCorrected) != nil || len(w.entries()) != 1 {
		t.Errorf("two hours later: %v", w.board.List())
	}
	// Without a majority nothing moves.
	w.round(near, source{name: "a.example", wrong: time.Hour}, source{name: "b.example", silent: true}, source{name: "c.example", silent: true})
	if s := w.stamp(t); s.Clock != record.ClockChecked || len(w.entries()) != 1 {
		t.Errorf("%+v", s)
	}
}

// TestALeapSecondMeansHoldoverUntilTheNextAgreement has the servers announce one for the end of the year.
func TestALeapSecondMeansHoldoverUntilTheNextAgreement(t *testing.T) {
	evening := time.Date(2026, 12, 31, 23, 59, 0, 0, time.UTC)
	w := newWorld(t, evening, evening, threeServers)
	list := three(0)
	list[1].leap = 1 // one more second
	w.round(near, list...)
	w.pass(50 * time.Second)
	if s := w.stamp(t); s.Clock != record.ClockChecked {
		t.Errorf("before midnight: %+v", s)
	}
	w.pass(20 * time.Second)
	w.look()
	m := w.moment()
	for _, truth := range []time.Time{m.truth, m.truth.Add(-time.Second)} { // whether or not it came
		m.truth = truth
		if why := outside(w.clock.stamp(m.now, m.wall), m); why != "" {
			t.Error(why)
		}
	}
	if s := w.clock.stamp(m.now, m.wall); s.Clock != record.ClockHoldover || !strings.Contains(w.clock.Facts().Why, "leap second") {
		t.Errorf("%+v", s)
	}
	w.truth = w.truth.Add(-time.Second) // it came
	w.round(near, three(0)...)
	if s := w.stamp(t); s.Clock != record.ClockChecked {
		t.Errorf("%+v", s)
	}
	if w.has(health.ClockCorrected) != nil {
		t.Error("a leap second that was announced is told as a fault of the stamps")
	}
}

// TestAClockThatIsSetAllTheTimeCannotFillTheDisk steps it every second of an hour.
func TestAClockThatIsSetAllTheTimeCannotFillTheDisk(t *testing.T) {
	w := checkedWorld(t)
	for range 3600 {
		w.pass(time.Second)
		w.wall = w.wall.Add(time.Minute)
		w.look()
	}
	if n := len(w.entries()); n != perHour {
		t.Errorf("%d entries", n)
	}
	w.pass(time.Second)
	w.wall = w.wall.Add(time.Minute)
	w.look()
	if list := w.entries(); len(list) != perHour+1 || !strings.Contains(list[perHour].Why, "3590 more") {
		t.Errorf("%d entries, the last: %s", len(list), list[len(list)-1].Why)
	}
}

// TestADriftBeyondTheDeclaredOneIsSeen has a raw clock 400 ppm slow where 100 are declared.
func TestADriftBeyondTheDeclaredOneIsSeen(t *testing.T) {
	for _, c := range []struct {
		ppm  float64
		seen bool
	}{{-400, true}, {400, true}, {90, false}, {-90, false}} {
		w := newWorld(t, noon, noon, threeServers)
		w.drift = c.ppm
		for range 12 {
			w.round(near, three(0)...)
			w.pass(10 * time.Minute)
		}
		w.round(near, three(0)...)
		f := w.clock.Facts()
		if f.Drift == nil && c.seen || (w.has(health.ClockDrift) != nil) != c.seen {
			t.Errorf("%v ppm: %+v, %v", c.ppm, f.Drift, w.board.List())
			continue
		}
		if f.Drift != nil && (f.Drift.PPM+c.ppm > f.Drift.Within+1 || f.Drift.PPM+c.ppm < -f.Drift.Within-1) {
			t.Errorf("%v ppm: seen as %+v", c.ppm, f.Drift)
		}
	}
}

// TestAStoppedJournalDelaysNoStamp keeps entries until it goes on, in order, and counts what does not fit.
func TestAStoppedJournalDelaysNoStamp(t *testing.T) {
	p := &pages{fail: errors.New("the disk is full")}
	b := newBook(p, nil)
	for i := range bookRoom + 7 {
		b.put(&record.ClockChange{Why: strings.Repeat("x", i)})
	}
	ended := make(chan struct{})
	close(ended)
	p.mu.Lock()
	p.fail = nil
	p.mu.Unlock()
	b.write(t.Context(), ended)
	list := p.all()
	if len(list) != bookRoom {
		t.Fatalf("%d entries", len(list))
	}
	for i, e := range list {
		if len(e.Why) != i {
			t.Fatalf("entry %d is number %d", i, len(e.Why))
		}
	}
	if err := b.left(); err == nil || !strings.Contains(err.Error(), "7 changes") {
		t.Errorf("%v", err)
	}
	b.put(&record.ClockChange{Why: "Then."})
	b.write(t.Context(), ended)
	if last := p.all()[bookRoom]; last.Why != "Then. 7 changes before this one could not be kept while the journal did not record." || b.left() != nil {
		t.Errorf("%q %v", last.Why, b.left())
	}
}

// TestElsewhereASleepAndAStepBothMeanHoldover is a computer without a raw clock and CLOCK_BOOTTIME.
func TestElsewhereASleepAndAStepBothMeanHoldover(t *testing.T) {
	for name, jump := range map[string]func(w *world){
		"a sleep":        func(w *world) { w.sleep(time.Hour, time.Second) },
		"a step forward": func(w *world) { w.wall = w.wall.Add(time.Hour) },
		"a step back":    func(w *world) { w.wall = w.wall.Add(-time.Hour) },
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t, noon, noon, threeServers)
			w.guessed()
			w.look()
			w.round(near, three(0)...)
			if s := w.stamp(t); s.Clock != record.ClockChecked {
				t.Fatalf("%+v", s)
			}
			w.clock.book.waiting = nil
			before := w.moment()
			jump(w)
			if s := w.stamp(t); s.Clock != record.ClockHoldover || time.Duration(*s.Bound) < time.Hour || time.Duration(*s.Bound) > 61*time.Minute {
				t.Errorf("%+v", s)
			}
			w.look()
			w.stamp(t)
			if why := outside(w.clock.stamp(before.now, before.wall), before); why != "" {
				t.Errorf("a line of before is stamped %s", why)
			}
			if list := w.entries(); len(list) != 1 || list[0].State != record.ClockHoldover || !strings.Contains(list[0].Why, "slept, or its clock was set, by") {
				t.Errorf("%+v", list)
			}
			w.round(near, three(0)...)
			if s := w.stamp(t); s.Clock != record.ClockChecked || time.Duration(*s.Bound) > 50*time.Millisecond {
				t.Errorf("%+v", s)
			}
		})
	}
}

// TestAWideAgreementLeavesANarrowAnchor has the network become slow for one round.
func TestAWideAgreementLeavesANarrowAnchor(t *testing.T) {
	w := checkedWorld(t)
	narrow := time.Duration(*w.stamp(t).Bound)
	w.pass(time.Minute)
	w.round(path{300 * time.Millisecond, 0, 100 * time.Millisecond}, three(0)...)
	s := w.stamp(t)
	if grown := time.Duration(*s.Bound) - narrow; grown > 7*time.Millisecond || s.Sources != 3 {
		t.Errorf("the bound has grown by %s: %+v", grown, s)
	}
	w.pass(2 * time.Hour) // 0.72 s of declared drift: now the slow network is better
	w.round(path{300 * time.Millisecond, 0, 100 * time.Millisecond}, three(0)...)
	if s := w.stamp(t); s.Clock != record.ClockChecked {
		t.Errorf("%+v", s)
	}
}
