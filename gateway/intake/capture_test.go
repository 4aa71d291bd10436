package intake

import (
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

func everySecond(c *Config) {
	c.Record = Rule{Kind: Periodic, Every: strict.Duration(time.Second)}
}

// The latest reading of each period is recorded, also when the balance falls silent, and none of an empty period.
func TestEveryRecordsTheLatestOfEachPeriod(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, everySecond, nil)
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			for i := range 25 { // two and a half periods
				sent(h, fmt.Sprintf("W %d g M\n", i))
				time.Sleep(100 * time.Millisecond)
			}
			sent(h, "W +++++ g -\n")
			sent(h, "noise\n")
			time.Sleep(10 * time.Second)
			synctest.Wait()
			expect(t, b.journal.bodies(), "port-up 1", "weighing 9 g", "weighing 19 g", "unread “W” is expected at column 1, not “noise”", "weighing 24 g")
			sent(h, "W 77 g S\n")
			time.Sleep(300 * time.Millisecond)
			sent(h, "W 78 g S\n")
		}); err != nil {
			t.Fatal(err)
		}
		bodies := b.journal.bodies()
		w := bodies[len(bodies)-1].(*record.Weighing)
		if w.Value.Digits != "78" || w.Trigger != "every 1s" {
			t.Errorf("the stop lost the reading of the period that had begun: %+v", w)
		}
	})
}

func TestAllRecordsEachReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, func(c *Config) { c.Record = Rule{Kind: All} }, nil)
		if err := during(t, b, func(h port.Handler) { quietly(h); sent(h, "W 1 g M\nW 1 g M\nW 2 g S\n") }); err != nil {
			t.Fatal(err)
		}
		expect(t, b.journal.bodies(), "port-up 1", "weighing 1 g", "weighing 1 g", "weighing 2 g")
	})
}

// The rule settled through the whole pipeline: a stream of a load coming to rest is one weighing.
func TestAStreamThatSettlesIsOneWeighing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, func(c *Config) { c.Record = Rule{Kind: Settling, Settled: DefaultSettled} }, nil)
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			stream := []string{"0.000", "0.001", "4.210", "11.800", "12.330", "12.346", "12.345", "12.345", "12.345", "12.345", "12.345", "12.345", "12.345", "3.000", "0.001", "0.000"}
			for _, digits := range stream {
				sent(h, "W "+digits+" g -\n")
				time.Sleep(100 * time.Millisecond)
			}
			if n := len(b.screen.all()); n != len(stream)+1 {
				t.Errorf("the screen has seen %d events of %d readings and one record", n, len(stream))
			}
		}); err != nil {
			t.Fatal(err)
		}
		expect(t, b.journal.bodies(), "port-up 1", "weighing 12.345 g")
	})
}

// Stamps of one balance never run backwards, whatever the clock does; a step is said.
func TestStampsNeverRunBackwards(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, nil, nil)
		shift := time.Duration(0)
		b.clock = shifted{b.clock, &shift}
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			for _, s := range []time.Duration{0, -time.Hour, -time.Hour, time.Hour, 0} {
				shift = s
				sent(h, "W 1 g S\nW 2 g S\n")
				if went := len(b.board.List()) == 1; went != (s == -time.Hour || len(b.screen.all()) > 8 && s == 0) {
					t.Errorf("shift %s: conditions %+v", s, b.board.List())
				}
				time.Sleep(time.Second)
			}
		}); err != nil {
			t.Fatal(err)
		}
		var last time.Time
		for i, e := range b.journal.bodies() {
			if e.Time().Before(last) {
				t.Errorf("entry %d is stamped %s, before %s", i, e.Time(), last)
			}
			last = e.Time()
		}
	})
}

type shifted struct {
	Stamper
	by *time.Duration
}

func (s shifted) Stamp(at time.Time) record.Stamp { return s.Stamper.Stamp(at.Add(*s.by)) }
