package intake

import (
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
)

// wrong is a checked clock that is off by a fixed error within its bound.
type wrong struct{ by, bound time.Duration }

func (c wrong) Stamp(t time.Time) record.Stamp {
	bound := record.Span(c.bound + time.Microsecond) // what is cut off below
	return record.Stamp{UTC: record.UTC(t.Add(c.by).UTC().Truncate(time.Microsecond)), Zone: "+00:00", Bound: &bound,
		Clock: record.ClockChecked, Sources: 3}
}

// sim is a balance, its adapter and a reader whose every moment is known. Its clock runs as events come.
type sim struct {
	*rapid.T
	cfg      port.Config
	now      time.Time // of the balance: when the next character may begin
	line     []simByte
	printed  []time.Time // the truth: when the first character of each frame began, and of a frame with pauses, when its last ended less their time on the wire
	lateness time.Duration
}

type simByte struct {
	b     byte
	there time.Time // when the computer has it
}

// print sends a frame, now and then with a pause between two characters.
func (s *sim) print(text string) {
	pause := rapid.Bool().Draw(s.T, "pause within")
	for i, b := range []byte(text) {
		if pause && i == len(text)/2 {
			s.now = s.now.Add(40 * time.Millisecond)
		}
		s.now = s.now.Add(s.cfg.WireTime(1))
		held := time.Duration(rapid.Int64Range(0, int64(s.cfg.ReadLatency())).Draw(s.T, "held"))
		there := s.now.Add(held)
		if n := len(s.line); n > 0 && there.Before(s.line[n-1].there) {
			there = s.line[n-1].there // characters do not overtake each other
		}
		s.line = append(s.line, simByte{b, there})
	}
	s.printed = append(s.printed, s.now.Add(-s.cfg.WireTime(len(text))))
	s.now = s.now.Add(time.Duration(rapid.Int64Range(0, int64(2*time.Second)).Draw(s.T, "rest")))
}

// read hands everything over as a port's line would. Between two reads the reader may be held up.
func (s *sim) read(h port.Handler) {
	at := s.line[0].there.Add(-time.Minute)
	emptied := at
	for len(s.line) > 0 {
		if late := time.Duration(rapid.Int64Range(0, int64(s.lateness)).Draw(s.T, "late")); s.line[0].there.After(at) {
			at = s.line[0].there.Add(late) // it waits, and is late to notice
			emptied = at.Add(-late)
		}
		at = at.Add(time.Duration(rapid.Int64Range(1, 1000).Draw(s.T, "the read takes")))
		most := rapid.IntRange(1, 40).Draw(s.T, "room")
		var p []byte
		for len(p) < most && len(s.line) > 0 && !s.line[0].there.After(at) {
			p = append(p, s.line[0].b)
			s.line = s.line[1:]
		}
		h.Bytes(p, port.Arrival{At: at, Emptied: emptied, Held: at.Sub(emptied)})
		if rapid.IntRange(0, 3).Draw(s.T, "held up") == 0 {
			at = at.Add(time.Duration(rapid.Int64Range(0, int64(3*time.Second)).Draw(s.T, "for")))
		}
		if len(s.line) > 0 && s.line[0].there.After(at) {
			emptied = at // it looks again and finds nothing
		}
	}
}

// TestTheBoundHoldsTheTruth: in random runs of balance, adapter and reader, the moment at which a frame was printed lies
// within its stamp's bound, and the bound is no larger than what may have happened.
func TestTheBoundHoldsTheTruth(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		speed := rapid.SampledFrom([]int{300, 1200, 9600, 115200}).Draw(r, "speed")
		c := wrong{bound: time.Duration(rapid.Int64Range(0, int64(100*time.Millisecond)).Draw(r, "bound"))}
		c.by = time.Duration(rapid.Int64Range(-int64(c.bound), int64(c.bound)).Draw(r, "clock off by"))
		b := newBench(t, anchored, func(cfg *Config) {
			cfg.Port.Speed, cfg.Port.Parity, cfg.Record = speed, rapid.SampledFrom([]string{"none", "even"}).Draw(r, "parity"), Rule{Kind: All}
		}, nil)
		b.clock = c
		begin := time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)
		b.Up(begin.Add(-time.Hour))
		s := &sim{T: r, cfg: b.cfg.Port, now: begin, lateness: 20 * time.Millisecond}
		for i := range rapid.IntRange(1, 8).Draw(r, "frames") {
			s.print(fmt.Sprintf("W %d.%03d g S\r\n", i, i))
		}
		truth := s.printed
		s.read(b)
		i := 0
		for _, e := range b.out.first() {
			w, ok := e.(*record.Weighing)
			if !ok {
				continue
			}
			bound := time.Duration(*w.Stamp.Bound)
			if off := w.Stamp.UTC.Time().Sub(truth[i]); off > bound || off < -bound {
				r.Errorf("frame %d is stamped %s off, and its bound is %s", i, off, bound)
			}
			least := c.bound + b.cfg.Port.ReadLatency()
			if stalled := w.Stamp.Stalled; stalled != nil {
				if time.Duration(*stalled) < stallShown {
					r.Errorf("a stall of %s is shown", time.Duration(*stalled))
				}
				least += time.Duration(*stalled)
			} else {
				least += stallShown
			}
			if bound > least+2*time.Second { // what stamps that must not run backwards add
				r.Errorf("frame %d: the bound %s is far beyond %s", i, bound, least)
			}
			i++
		}
		if i != len(truth) {
			r.Fatalf("%d frames of %d were recorded", i, len(truth))
		}
	})
}

// TestAPileSaysSo: what was read late says how late it may be, whether the clock is checked or not.
func TestAPileSaysSo(t *testing.T) {
	at := time.Now()
	for _, c := range []struct {
		held    time.Duration
		stalled string
		bound   string
	}{{0, "", "0.031001"}, {99 * time.Millisecond, "", "0.130001"}, {3 * time.Second, "3", "3.031001"}} {
		for _, checked := range []bool{true, false} {
			b := newBench(t, anchored, func(cfg *Config) { cfg.Port.Latency = 30_000_000 }, nil)
			if checked {
				b.clock = wrong{bound: time.Millisecond}
			}
			b.Up(at.Add(-time.Hour))
			b.Bytes([]byte("W 1.000 g S\n"), port.Arrival{At: at, Held: c.held})
			s := b.out.first()[1].(*record.Weighing).Stamp
			if got := spanText(s.Stalled); got != c.stalled {
				t.Errorf("held for %s: stalled %q", c.held, got)
			}
			if got := spanText(s.Bound); checked && got != c.bound || !checked && got != "" {
				t.Errorf("held for %s, checked %v: bound %q", c.held, checked, got)
			}
		}
	}
	b := newBench(t, anchored, nil, nil)
	b.clock = wrong{bound: time.Millisecond}
	b.Up(at.Add(-time.Hour))
	b.Bytes([]byte("W 1.000 g S\n"), port.Arrival{At: at, Held: port.HeldUnknown}) // it had waited since before the port was opened
	if s := b.out.first()[1].(*record.Weighing).Stamp; s.Bound != nil {
		t.Errorf("nobody knows how old it is, and the bound is %s", spanText(s.Bound))
	}
}

func spanText(s *record.Span) string {
	if s == nil {
		return ""
	}
	b, _ := s.MarshalJSON()
	return string(b)
}

// TestAClockThatWentBackWidensTheBound: stamps stand still then, and are wrong by as much.
func TestAClockThatWentBackWidensTheBound(t *testing.T) {
	bound := record.Span(time.Millisecond)
	now := time.Now()
	var s stamps
	s.next(record.Stamp{UTC: record.UTC(now), Bound: &bound})
	got := s.next(record.Stamp{UTC: record.UTC(now.Add(-time.Minute)), Bound: &bound})
	if !got.UTC.Time().Equal(now) || time.Duration(*got.Bound) != time.Minute+time.Millisecond || bound != record.Span(time.Millisecond) {
		t.Errorf("%s ± %s", got.UTC, time.Duration(*got.Bound))
	}
}

// TestTheFirstCheckMayTakeStampsBack: a computer that began years ahead is put right, and from then on nothing goes back.
func TestTheFirstCheckMayTakeStampsBack(t *testing.T) {
	bound := record.Span(20 * time.Millisecond)
	at := func(year int, clock string) record.Stamp {
		s := record.Stamp{UTC: record.UTC(time.Date(year, 11, 25, 10, 0, 0, 0, time.UTC)), Clock: clock}
		if clock != record.ClockUnchecked {
			s.Bound = &bound
		}
		return s
	}
	for _, c := range []struct {
		given []record.Stamp
		years []int
	}{
		{[]record.Stamp{at(2099, record.ClockUnchecked), at(2026, record.ClockChecked), at(2025, record.ClockChecked)}, []int{2099, 2026, 2026}},
		{[]record.Stamp{at(2099, record.ClockUnchecked), at(2026, record.ClockHoldover), at(2025, record.ClockUnchecked)}, []int{2099, 2026, 2026}},
		{[]record.Stamp{at(2026, record.ClockUnchecked), at(2000, record.ClockUnchecked)}, []int{2026, 2026}},
		{[]record.Stamp{at(2026, record.ClockChecked), at(2025, record.ClockHoldover)}, []int{2026, 2026}},
	} {
		var s stamps
		for i, given := range c.given {
			if got := s.next(given); got.UTC.Time().Year() != c.years[i] {
				t.Errorf("%v: stamp %d is of %d, not of %d", c.years, i, got.UTC.Time().Year(), c.years[i])
			}
		}
	}
}
