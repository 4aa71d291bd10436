package runs

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// noon is when slips of these tests are typed in, and slipOf one that was printed half an hour before.
var noon = time.Date(2026, 11, 30, 12, 0, 0, 0, time.UTC)

func slipOf() SlipTyped {
	return SlipTyped{Digits: "21.3400", Unit: "g", Weighed: "2026-11-30T11:30:00Z", Slip: "2026-11-30 12:31", Sample: "LOT-7", Reason: "weighpost was down"}
}

// utcAhead is a zone one hour ahead of UTC, as the clocks of these balances are set.
var utcAhead = time.FixedZone("", 3600)

func (s *shelf) enter(t *testing.T, typed SlipTyped, sure bool, person, by string) (KnownSlip, error) {
	t.Helper()
	l, err := ReadSlip(typed, noon, utcAhead)
	if err != nil {
		t.Fatal(err)
	}
	l.Balance = record.Balance{ID: "b-12"}
	l.Context.Person = &record.Learnt{ID: person, By: record.ByTyped}
	return s.EnterSlip(t.Context(), l, sure, somebody(by), func() error { return nil })
}

// TestASlipIsTakenAsItIsPrinted, digit by digit, or refused with the place of what is wrong.
func TestASlipIsTakenAsItIsPrinted(t *testing.T) {
	for digits, unit := range map[string]string{"21.3400": "g", "+0.0010": "mg", "-.5": "kg", "00012.30": "g", "12.": "µg"} {
		typed := slipOf()
		typed.Digits, typed.Unit = digits, unit
		l, err := ReadSlip(typed, noon, utcAhead)
		if err != nil || l.Value.Digits != digits || l.Value.PrintedUnit != unit || l.Value.Kind != "unknown" || l.Value.Stability != "unknown" || l.Value.Range != "in" {
			t.Errorf("%s %s: %+v %v", digits, unit, l, err)
		}
	}
	change := func(f func(*SlipTyped)) SlipTyped { typed := slipOf(); f(&typed); return typed }
	for _, c := range []struct {
		field, want string
		typed       SlipTyped
	}{
		{"digits", "comma", change(func(s *SlipTyped) { s.Digits = "21,3400" })},
		{"digits", "no digit", change(func(s *SlipTyped) { s.Digits = "" })},
		{"digits", "neither a digit", change(func(s *SlipTyped) { s.Digits = "21.34 g" })},
		{"digits", "neither a digit", change(func(s *SlipTyped) { s.Digits = "2٣" })},
		{"digits", "neither a digit", change(func(s *SlipTyped) { s.Digits = "1e5" })},
		{"digits", "more than 18 digits", change(func(s *SlipTyped) { s.Digits = strings.Repeat("1", 19) })},
		{"unit", "no unit of mass that weighpost knows", change(func(s *SlipTyped) { s.Unit = "G" })},
		{"unit", "no unit of mass that weighpost knows", change(func(s *SlipTyped) { s.Unit = "" })},
		{"unit", "[oz_av], [oz_tr]", change(func(s *SlipTyped) { s.Unit = "oz" })},
		{"unit", "only weights", change(func(s *SlipTyped) { s.Unit = "%" })},
		{"unit", "only weights", change(func(s *SlipTyped) { s.Unit = "pcs" })},
		{"kind", "none of gross", change(func(s *SlipTyped) { s.Kind = "brutto" })},
		{"weighed", "no time such as", change(func(s *SlipTyped) { s.Weighed = "2026-11-30 11:30" })},
		{"weighed", "in the future", change(func(s *SlipTyped) { s.Weighed = "2026-11-30T12:01:01Z" })},
		{"weighed", "more than 31 days ago", change(func(s *SlipTyped) { s.Weighed = "2026-10-30T11:59:59Z" })},
		{"slip_clock", "no date and time such as", change(func(s *SlipTyped) { s.Slip = "30.11.2026 12:31" })},
		{"slip_clock", "no date and time such as", change(func(s *SlipTyped) { s.Slip = "2026-02-30 12:31" })},
		{"sample", "U+202E", change(func(s *SlipTyped) { s.Sample = "LOT\u202e" })},
		{"fields", "U+001B", change(func(s *SlipTyped) { s.Fields = map[string]string{"box": "\x1b[2J"} })},
		{"reason", "A reason is missing", change(func(s *SlipTyped) { s.Reason = "\t" })},
		{"reason", "500 characters", change(func(s *SlipTyped) { s.Reason = "<b>\x00" })},
	} {
		_, err := ReadSlip(c.typed, noon, utcAhead)
		var refused *record.NotDone
		if !errors.As(err, &refused) || refused.Field != c.field || !strings.Contains(refused.Why, c.want) {
			t.Errorf("%s, %s: %+v", c.field, c.want, refused)
		}
	}
	l, err := ReadSlip(change(func(s *SlipTyped) { s.Unit = "[oz_av]" }), noon, utcAhead)
	if err != nil || l.Value.Unit != "[oz_av]" || l.Value.PrintedUnit != "" {
		t.Errorf("%+v %v", l, err)
	}
}

// TestASlipWithAnotherClockSaysSo from two minutes on, in words.
func TestASlipWithAnotherClockSaysSo(t *testing.T) {
	for clock, want := range map[string]string{
		"":                    "",
		"2026-11-30 12:31":    "",
		"2026-11-30 12:32:00": "",
		"2026-11-30 12:32:01": "The slip's clock is 2 min ahead of the time given.",
		"2026-11-30 13:31":    "The slip's clock is 61 min ahead of the time given.",
		"2026-11-30 11:29":    "The slip's clock is 61 min behind the time given.",
		"2026-11-30 15:05":    "The slip's clock is 2 h 35 min ahead of the time given.",
		"2016-11-30 12:30":    "The slip's clock is 3652 days behind the time given.",
	} {
		typed := slipOf()
		typed.Slip = clock
		l, err := ReadSlip(typed, noon, utcAhead)
		if err != nil || ClockNote(l) != want || l.Slip != clock || (clock == "") != (l.Apart == "") {
			t.Errorf("%s: %q, apart %s, %v", clock, ClockNote(l), l.Apart, err)
		}
	}
}

// TestASlipCountsOnlyOnceAnotherPersonHasConfirmedIt: neither who typed it in nor who weighed it, whatever name they give; and once.
func TestASlipCountsOnlyOnceAnotherPersonHasConfirmedIt(t *testing.T) {
	s := newShelf(t)
	one, err := s.enter(t, slipOf(), false, "ben", "ada")
	if err != nil || one.State() != SlipWaiting || one.Entered.Origin != record.OriginalSlip {
		t.Fatalf("%+v %v", one, err)
	}
	id := one.Entered.ID
	late := func() string {
		s.view.Lock()
		defer s.view.Unlock()
		l, err := s.late(id)
		if err == nil {
			return l.Value.Digits
		}
		return err.Error()
	}
	if got := late(); !strings.Contains(got, "waits for a second person") {
		t.Error(got)
	}
	for who, want := range map[string]string{"ada": "typed it in: another person", "ADA": "typed it in", "Person ada": "typed it in", "ben": "weighed it: another person"} {
		if _, err := s.DecideSlip(t.Context(), id, true, "", record.Actor{ID: who, By: record.ActorToken}); !strings.Contains(said(t, err), want) {
			t.Errorf("%s: %v", who, err)
		}
	}
	if _, err := s.DecideSlip(t.Context(), id, false, "", somebody("cho")); !strings.Contains(said(t, err), "reason is missing") {
		t.Error(err)
	}
	if _, err := s.DecideSlip(t.Context(), "seed-bank/aaaaa/@/000099", true, "", somebody("cho")); !errors.Is(err, record.ErrNoSlip) {
		t.Error(err)
	}
	if one, err = s.DecideSlip(t.Context(), id, true, "", somebody("cho")); err != nil || one.State() != SlipConfirmed || late() != "21.3400" {
		t.Fatalf("%+v %v %s", one, err, late())
	}
	if _, err := s.DecideSlip(t.Context(), id, false, "I was wrong", somebody("dan")); !strings.Contains(said(t, err), "has decided already: it is confirmed") {
		t.Error(err)
	}
	step := &record.RunStep{Run: record.RunRef{ID: "r-1"}, Step: "gross", Became: record.StepTaken, Weighing: &record.EntryRef{ID: id, Seq: one.Entered.Seq}, Value: &record.RunValue{Digits: "21.3400", Unit: "g", How: "late"}}
	s.append(t, step)
	if got := late(); got != "it is used already, in the run r-1" {
		t.Error(got)
	}
	again := *step
	again.Became = record.StepReplaced
	s.append(t, &again)
	if got := late(); got != "21.3400" {
		t.Error("a step that was done again gives its slip back:", got)
	}
	if n := len(entriesOf(t, s)); n != 4 { // typed in, confirmed, and two steps: nothing that was refused, and nothing was edited
		t.Errorf("%d entries", n)
	}
}

func entriesOf(t *testing.T, s *shelf) []record.Entry {
	t.Helper()
	all, err := s.j.Read(t.Context(), 0, 10_000)
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// TestTheSameSlipTwiceIsAsked: whoever types it in again has to say that it is another, and the entry names the first.
func TestTheSameSlipTwiceIsAsked(t *testing.T) {
	s := newShelf(t)
	first, err := s.enter(t, slipOf(), false, "ada", "ada")
	if err != nil {
		t.Fatal(err)
	}
	near := slipOf()
	near.Weighed, near.Digits = "2026-11-30T11:32:00Z", "+21.3400"
	if _, err := s.enter(t, near, false, "ada", "ben"); !strings.Contains(said(t, err), "It may be there already") {
		t.Error(err)
	}
	second, err := s.enter(t, near, true, "ada", "ben")
	if err != nil || len(second.Entered.Alike) != 1 || second.Entered.Alike[0].ID != first.Entered.ID {
		t.Errorf("%+v %v", second.Entered, err)
	}
	for _, change := range []func(*SlipTyped){func(s *SlipTyped) { s.Digits = "21.340" }, func(s *SlipTyped) { s.Weighed = "2026-11-30T11:34:01Z" }} {
		other := slipOf()
		change(&other)
		if _, err := s.enter(t, other, false, "ada", "ada"); err != nil {
			t.Error(err)
		}
	}
	if _, err := s.DecideSlip(t.Context(), first.Entered.ID, false, "the digits are another slip's", somebody("cho")); err != nil {
		t.Error(err)
	}
	broken := errors.New("the disk is full")
	l, err := ReadSlip(slipOf(), noon, utcAhead)
	if err != nil {
		t.Fatal(err)
	}
	l.Balance.ID = "b-13"
	head := s.j.Head()
	if _, err := s.EnterSlip(t.Context(), l, false, somebody("ada"), func() error { return broken }); !errors.Is(err, broken) || s.j.Head() != head {
		t.Errorf("a slip whose picture could not be kept left an entry, or no error: %v", err)
	}
}

// TestSlipsAreWhatTheJournalSays: after whatever was done, in any order, a start that reads what was written down and one that reads the journal
// know the same, and nothing was decided twice or by the one who typed it in.
func TestSlipsAreWhatTheJournalSays(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 2))
	s := newShelf(t)
	who := func() string { return []string{"ada", "ben", "cho"}[r.IntN(3)] }
	var ids []string
	for i := range 200 {
		if r.IntN(2) == 0 || len(ids) == 0 {
			typed := slipOf()
			typed.Digits = fmt.Sprint(21, ".", i)
			one, err := s.enter(t, typed, false, who(), who())
			if err != nil {
				t.Fatal(err)
			}
			ids = append(ids, one.Entered.ID)
			continue
		}
		_, _ = s.DecideSlip(t.Context(), ids[r.IntN(len(ids))], r.IntN(2) == 0, "as I see it", somebody(who()))
	}
	decided := map[string]bool{}
	typist := map[string]string{}
	for _, e := range entriesOf(t, s) {
		switch e.Kind {
		case record.KindLateEntered:
			l := one[record.LateEntered](t, e)
			typist[l.ID] = l.By.ID + " " + l.Context.Person.ID
		case record.KindLateDecided:
			d := one[record.LateDecided](t, e)
			if decided[d.Entered.ID] || strings.Contains(typist[d.Entered.ID], d.By.ID) {
				t.Errorf("%+v, typed in and weighed by %s", d, typist[d.Entered.ID])
			}
			decided[d.Entered.ID] = true
		}
	}
	if len(decided) < 20 {
		t.Errorf("only %d were decided", len(decided))
	}
	before := s.all(t)
	s.end()
	s.open(t)
	if after := s.all(t); after != before {
		t.Errorf("written down:\n%s\nnot\n%s", after, before)
	}
	s.end()
	s.dir = t.TempDir()
	s.open(t)
	if after := s.all(t); after != before {
		t.Errorf("read again:\n%s\nnot\n%s", after, before)
	}
}

// TestSlipsAreBounded: the oldest that is decided is forgotten first, and nobody types in more than can be looked over.
func TestSlipsAreBounded(t *testing.T) {
	s := newShelf(t)
	s.view.Lock()
	for i := range mostSlips + 10 {
		id := fmt.Sprint("s-", i)
		if err := s.lateEntered(&record.LateEntered{Head: record.Head{ID: id}, Balance: record.Balance{ID: "b-1"}, Value: record.Value{Digits: "1"}}); err != nil {
			t.Error(err)
		}
		if i >= 3 && i < mostSlips-mostUndecided+10 {
			if err := s.lateDecided(&record.LateDecided{Entered: record.EntryRef{ID: id}}); err != nil {
				t.Error(err)
			}
		}
	}
	s.view.Unlock()
	if list := s.Slips(SlipsAsked{}); len(list) != mostSlips || list[len(list)-1].Entered.ID != "s-0" || list[len(list)-4].Entered.ID != "s-13" {
		t.Errorf("%d", len(list))
	}
	if _, err := s.enter(t, slipOf(), false, "ada", "ada"); !strings.Contains(said(t, err), "wait for a second person, which is the most") {
		t.Error(err)
	}
}
