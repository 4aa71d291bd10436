package intake

import (
	"math/big"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"weighpost/parsers/decimal"
	"weighpost/parsers/layout"
	"weighpost/parsers/strict"
	"weighpost/parsers/unit"
)

func named(key string) unit.Unit {
	u, ok := unit.Named(key)
	if !ok {
		panic(key)
	}
	return u
}

// seen is a reading of a mass as a layout would give it.
func seen(digits, key string, s layout.Stability) *layout.Reading {
	return &layout.Reading{Number: decimal.MustParse(digits), HasNumber: true, Unit: named(key), Quantity: named(key).Quantity, Stability: s}
}

var start = time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)

// TestSettled goes through streams with d = 0.001 g: each step is a time in milliseconds and what was printed then; * at
// the end marks the frames that are recorded.
func TestSettled(t *testing.T) {
	const stable, unstable, unknown = layout.Stable, layout.Unstable, layout.StabilityUnknown
	type step struct {
		ms       int
		digits   string
		s        layout.Stability
		recorded bool
	}
	for name, c := range map[string]struct {
		change func(*Settled)
		unit   string // "" is g
		steps  []step
	}{
		"three frames over half a second": {steps: []step{
			{0, "12.345", unknown, false}, {250, "12.345", unknown, false}, {500, "12.346", unknown, true}}},
		"half a second is needed": {steps: []step{
			{0, "12.345", unknown, false}, {100, "12.345", unknown, false}, {499, "12.345", unknown, false}, {500, "12.345", unknown, true}}},
		"three frames are needed": {steps: []step{
			{0, "12.345", unknown, false}, {2000, "12.345", unknown, false}, {4000, "12.345", unknown, true}}},
		"two are enough when flagged stable": {steps: []step{
			{0, "12.345", stable, false}, {600, "12.345", stable, true}}},
		"one flag is not enough": {steps: []step{
			{0, "12.345", unknown, false}, {600, "12.345", stable, false}, {700, "12.345", stable, true}}},
		"an unstable frame breaks the run": {steps: []step{
			{0, "12.345", unknown, false}, {300, "12.345", unstable, false}, {600, "12.345", unknown, false}, {900, "12.345", unknown, false}, {1100, "12.345", unknown, true}}},
		"within one d": {steps: []step{
			{0, "12.344", unknown, false}, {300, "12.345", unknown, false}, {600, "12.346", unknown, false}, {900, "12.346", unknown, true}}},
		"creeping never settles": {steps: []step{
			{0, "12.340", unknown, false}, {400, "12.342", unknown, false}, {800, "12.344", unknown, false}, {1200, "12.346", unknown, false}}},
		"not within five d of zero": {steps: []step{
			{0, "0.005", stable, false}, {600, "0.005", stable, false}, {1200, "-0.005", stable, false}, {9000, "-0.005", stable, false}}},
		"six d below zero is a load": {steps: []step{
			{0, "-0.006", stable, false}, {600, "-0.006", stable, true}}},
		"once for a load that stays": {steps: []step{
			{0, "12.345", stable, false}, {600, "12.345", stable, true}, {1200, "12.345", stable, false}, {1800, "12.354", stable, false}, {2400, "12.354", stable, false}}},
		"ten d away is another load": {steps: []step{
			{0, "12.345", stable, false}, {600, "12.345", stable, true}, {1200, "12.355", stable, false}, {1800, "12.355", stable, true}}},
		"the same load put back": {steps: []step{
			{0, "12.345", stable, false}, {600, "12.345", stable, true}, {1000, "0.000", unstable, false}, {1600, "12.345", stable, false}, {2200, "12.345", stable, true}}},
		"numbers of its own": {
			change: func(s *Settled) { *s = Settled{Frames: 2, StableFrames: 1, WithinD: 0, For: 0, ZeroD: 0, ApartD: 1} },
			steps:  []step{{0, "0.001", unknown, false}, {1, "0.001", unknown, true}, {2, "0.002", stable, true}, {3, "0.000", stable, false}, {4, "-0.001", stable, true}}},
		"in milligrams": {unit: "mg", steps: []step{
			{0, "12345", stable, false}, {600, "12346", stable, true}, {700, "12355", stable, false}, {1300, "12355", stable, false}, {2000, "12356", stable, true}, {2600, "12356", stable, false}}},
		// 1 d = 0.001 g is 0.0000352739… oz: the band of one d holds three steps of 0.00001 oz, and not four.
		"in ounces": {unit: "[oz_av]", steps: []step{
			{0, "1.00000", stable, false}, {600, "1.00004", stable, false}, {1200, "1.00007", stable, true}}},
	} {
		t.Run(name, func(t *testing.T) {
			rule, key := DefaultSettled, "g"
			if c.change != nil {
				c.change(&rule)
			}
			if c.unit != "" {
				key = c.unit
			}
			s := newSettling(rule, mustQuantity(t, "0.001 g"))
			for i, st := range c.steps {
				if got := s.feed(seen(st.digits, key, st.s), start.Add(time.Duration(st.ms)*time.Millisecond)); got != st.recorded {
					t.Errorf("step %d, %d ms, %s: recorded %v", i, st.ms, st.digits, got)
				}
			}
		})
	}
}

// TestWhatLiesThereForACheckIsNotRecorded, however long it stays; once it has left, another load is.
func TestWhatLiesThereForACheckIsNotRecorded(t *testing.T) {
	s := newSettling(DefaultSettled, mustQuantity(t, "0.001 g"))
	at := start
	feed := func(digits string) (recorded bool) {
		for range 4 {
			at = at.Add(300 * time.Millisecond)
			recorded = s.feed(seen(digits, "g", layout.StabilityUnknown), at) || recorded
		}
		return recorded
	}
	s.lies(seen("0.000", "g", layout.StabilityUnknown))
	s.lies(seen("20.001", "g", layout.StabilityUnknown))
	if feed("20.001") || feed("20.002") || feed("0.000") || !feed("20.001") || feed("20.001") {
		t.Error("a reference weight is recorded, or a load after it is not")
	}
}

func TestSettledIsTheSameLoadInAnotherUnit(t *testing.T) {
	s := newSettling(DefaultSettled, mustQuantity(t, "0.001 g"))
	at := start
	feed := func(digits, key string) bool {
		at = at.Add(time.Second)
		return s.feed(seen(digits, key, layout.Stable), at)
	}
	if feed("12.345", "g") || !feed("12.345", "g") {
		t.Fatal("not settled in g")
	}
	if feed("12345", "mg") || feed("12350", "mg") || feed("0.012345", "kg") {
		t.Error("the load that was recorded is recorded again because the balance shows another unit")
	}
	if feed("12356", "mg") || !feed("12356", "mg") {
		t.Error("another load in mg is not recorded")
	}
}

func TestWhatSettledNeverRecords(t *testing.T) {
	for name, r := range map[string]*layout.Reading{
		"over":       {Range: layout.OverRange, Unit: named("g"), Quantity: unit.Mass},
		"under":      {Range: layout.UnderRange},
		"no number":  {Unit: named("g"), Quantity: unit.Mass},
		"no unit":    {Number: decimal.MustParse("12.345"), HasNumber: true},
		"pieces":     seen("120", "pieces", layout.Stable),
		"per cent":   seen("55.5", "%", layout.Stable),
		"tare":       {Number: decimal.MustParse("12.345"), HasNumber: true, Unit: named("g"), Quantity: unit.Mass, Kind: layout.KindTare, Stability: layout.Stable},
		"unstable":   seen("12.345", "g", layout.Unstable),
		"near zero":  seen("0.003", "g", layout.Stable),
		"minus zero": seen("-0.000", "g", layout.Stable),
	} {
		s := newSettling(DefaultSettled, mustQuantity(t, "0.001 g"))
		for i := range 20 {
			if s.feed(r, start.Add(time.Duration(i)*time.Second)) {
				t.Errorf("%s is recorded", name)
			}
		}
	}
}

// TestSettledAgreesWithItsDefinition compares with the words of the rule, computed anew for each frame from the whole
// stream so far in exact fractions, over random streams.
func TestSettledAgreesWithItsDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rule := Settled{
			Frames: rapid.IntRange(2, 5).Draw(t, "frames"), StableFrames: rapid.IntRange(1, 4).Draw(t, "stable frames"),
			WithinD: rapid.IntRange(0, 3).Draw(t, "within"), For: strict.Duration(rapid.IntRange(0, 700).Draw(t, "ms")) * strict.Duration(time.Millisecond),
			ZeroD: rapid.IntRange(0, 6).Draw(t, "zero"), ApartD: rapid.IntRange(4, 12).Draw(t, "apart"),
		}
		d := Quantity{Number: decimal.MustParse(rapid.SampledFrom([]string{"0.001", "0.002", "0.005"}).Draw(t, "d")), Unit: named("g"), text: "d"}
		unitKey := rapid.SampledFrom([]string{"g", "mg", "[oz_av]", "[car_m]"}).Draw(t, "unit")
		scale := rapid.IntRange(0, 6).Draw(t, "scale")
		s, slow := newSettling(rule, d), &definition{rule: rule, d: d}
		at, value := start, int64(0)
		for range rapid.IntRange(1, 60).Draw(t, "n") {
			at = at.Add(time.Duration(rapid.IntRange(1, 400).Draw(t, "gap")) * time.Millisecond)
			value += rapid.OneOf(rapid.Just(int64(0)), rapid.Int64Range(-2, 2), rapid.Int64Range(-40, 40)).Draw(t, "step")
			n, _ := decimal.New(value, scale)
			r := seen(n.String(), unitKey, layout.Stability(rapid.IntRange(0, 2).Draw(t, "stability")))
			if got, want := s.feed(r, at), slow.feed(r, at); got != want {
				t.Fatalf("%s %s at %s: recorded %v, the definition says %v", n, unitKey, at.Sub(start), got, want)
			}
		}
	})
}

type past struct {
	v      *big.Rat // in grams
	at     time.Time
	stable layout.Stability
}

// definition is the rule as DESIGN.md section 2 words it, written for clearness.
type definition struct {
	rule  Settled
	d     Quantity
	seen  []past
	last  *big.Rat
	armed bool
}

func (x *definition) feed(r *layout.Reading, at time.Time) bool {
	v := unit.Convert(r.Number, r.Unit, named("g"))
	x.seen = append(x.seen, past{v, at, r.Stability})
	times := func(n int) *big.Rat { return new(big.Rat).Mul(x.d.Number.Rat(), big.NewRat(int64(n), 1)) }
	apart := func(a, b *big.Rat) *big.Rat { d := new(big.Rat).Sub(a, b); return d.Abs(d) }
	if x.last == nil || apart(v, x.last).Cmp(times(x.rule.ApartD)) >= 0 {
		x.armed = true
	}
	if r.Stability == layout.Unstable || !x.armed || new(big.Rat).Abs(v).Cmp(times(x.rule.ZeroD)) <= 0 {
		return false
	}
	rests := func(frames int, stableOnly bool) bool {
		for n := frames; n <= len(x.seen); n++ {
			run := x.seen[len(x.seen)-n:]
			for _, a := range run {
				if a.stable == layout.Unstable || stableOnly && a.stable != layout.Stable {
					return false
				}
				for _, b := range run {
					if apart(a.v, b.v).Cmp(times(x.rule.WithinD)) > 0 {
						return false
					}
				}
			}
			if run[n-1].at.Sub(run[0].at) >= x.rule.For.D() {
				return true
			}
		}
		return false
	}
	if !rests(x.rule.Frames, false) && !rests(x.rule.StableFrames, true) {
		return false
	}
	x.last, x.armed = v, false
	return true
}

// A stream of a thousand frames a second that agree for a minute takes bounded memory and still settles.
func TestSettledIsBounded(t *testing.T) {
	rule := DefaultSettled
	rule.For = strict.Duration(time.Minute)
	s := newSettling(rule, mustQuantity(t, "0.001 g"))
	var recorded []int
	for i := range 70_000 {
		if s.feed(seen("12.345", "g", layout.Stable), start.Add(time.Duration(i)*time.Millisecond)) {
			recorded = append(recorded, i)
		}
		if len(s.run) > maxRun {
			t.Fatalf("%d frames are held", len(s.run))
		}
	}
	if !slices.Equal(recorded, []int{60_000}) {
		t.Errorf("recorded at %v ms", recorded)
	}
}

func TestLimitsAtTheEndOfTheNumbers(t *testing.T) {
	s := newSettling(DefaultSettled, mustQuantity(t, "0.001 g"))
	for i, digits := range []string{"999999999999999999", "-999999999999999999", ".000000000000000001"} {
		for j := range 3 {
			at := start.Add(time.Duration(i*10+j) * time.Second)
			if got := s.feed(seen(digits, "kg", layout.Stable), at); got != (j == 1 && i < 2) {
				t.Errorf("%s, frame %d: recorded %v", digits, j, got)
			}
		}
	}
	for _, c := range []struct {
		r        *big.Rat
		decimals int
		down, up int64
	}{{big.NewRat(1, 3), 2, 33, 34}, {big.NewRat(-1, 3), 2, -34, -33}, {big.NewRat(5, 1), 1, 50, 50}, {big.NewRat(-5, 1), 0, -5, -5}, {big.NewRat(1, 1), 19, maxInt64, maxInt64}} {
		if d, u := digitsDown(c.r, c.decimals), digitsUp(c.r, c.decimals); d != c.down || u != c.up {
			t.Errorf("%s with %d decimals: %d and %d", c.r, c.decimals, d, u)
		}
	}
}
