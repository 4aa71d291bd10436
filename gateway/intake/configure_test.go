package intake

import (
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// TestWhatNeedsAnotherLine: what stands on a plate or in a rule does not close a port; what only writes a default out does
// not either.
func TestWhatNeedsAnotherLine(t *testing.T) {
	base := Config{ID: "b-12", Layout: "a.yaml", Port: port.Config{Address: "/dev/ttyS9"}}
	for _, c := range []struct {
		name   string
		change func(*Config)
		want   bool
	}{
		{"nothing", func(*Config) {}, false},
		{"the plate", func(c *Config) {
			c.Serial, c.Place, c.PrintsAs = "1", "here", "n"
			c.Capacity, c.Readability, c.VerificationInterval = mustQuantity(t, "220 g"), mustQuantity(t, "1 mg"), mustQuantity(t, "10 mg")
		}, false},
		{"layout and rule", func(c *Config) { c.Layout, c.Record = "b.yaml", Rule{Kind: All} }, false},
		{"what a weighing needs", func(c *Config) { c.Context.Person.Needed = true }, false},
		{"a default written out", func(c *Config) { c.Port.Speed, c.Port.WriteTimeout = 9600, strict.Duration(2*time.Second) }, false},
		{"a speed", func(c *Config) { c.Port.Speed = 4800 }, true},
		{"an address", func(c *Config) { c.Port.Address = "/dev/ttyS8" }, true},
		{"a scanner", func(c *Config) { c.Scanner = &ScannerConfig{} }, true},
	} {
		next := base
		c.change(&next)
		if got := base.NeedsNewLine(next); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// TestAnotherConfigurationBetweenTwoFrames: a frame that has begun is recorded under the configuration that holds at its end,
// no frame is lost, and what a period held back is written by the rule that held it.
func TestAnotherConfigurationBetweenTwoFrames(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, free, func(c *Config) { c.Record = Rule{Kind: Periodic, Every: strict.Duration(time.Minute)} }, nil)
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			sent(h, "1.000 g\n2.00")
			next := b.Config()
			next.Place, next.Record = "cold room", Rule{}
			b.Configure(next, record.Software{Version: "test", Config: "sha256:01"})
			sent(h, "0 g\n3.000 g\n")
			synctest.Wait()
		}); err != nil {
			t.Fatal(err)
		}
		bodies := b.journal.bodies()
		expect(t, bodies, "port-up 1", "weighing 1.000 g", "weighing 2.000 g", "weighing 3.000 g")
		for i, want := range []struct{ trigger, place, config string }{
			{"every 1m0s", "", "sha256:00"}, {"printed", "cold room", "sha256:01"}, {"printed", "cold room", "sha256:01"},
		} {
			w := bodies[i+1].(*record.Weighing)
			if w.Trigger != want.trigger || w.Balance.Place != want.place || w.Software.Config != want.config {
				t.Errorf("%s: %s at %q under %s", w.Value.Digits, w.Trigger, w.Balance.Place, w.Software.Config)
			}
		}
	})
}

// TestAnotherNameSettlesWhoIsThere: once the configuration names what the balance prints of itself, it is recorded again.
func TestAnotherNameSettlesWhoIsThere(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, `line: "{balance} {weight} {unit}"`, func(c *Config) { c.PrintsAs = "one" }, nil)
		holds := func() bool {
			return slices.ContainsFunc(b.board.List(), func(c health.Condition) bool { return c.Code == wrongBalance })
		}
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			sent(h, "two 1.000 g\n")
			if !holds() {
				t.Error("nobody notices the other balance")
			}
			next := b.Config()
			next.PrintsAs = "two"
			b.Configure(next, record.Software{})
			if holds() {
				t.Error("the condition is still there")
			}
			sent(h, "two 2.000 g\n")
		}); err != nil {
			t.Fatal(err)
		}
		bodies := b.journal.bodies()
		if got := told(bodies[2:]); !slices.Equal(got, []string{"weighing 2.000 g"}) {
			t.Errorf("%q", told(bodies))
		}
	})
}

// TestRunAgainWithAnotherLine: numbers, counts and stamps go on, half a line is not joined to what comes through another
// port, and it begins as at a start.
func TestRunAgainWithAnotherLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, free, nil, nil)
		for round, text := range []string{"1.000 g\n12", "345 g\n2.000 g\n"} {
			if round == 1 {
				next := b.Config()
				next.Port.Address = "/dev/ttyS8"
				b.Configure(next, record.Software{})
				if err := b.UseLines(script(nil), nil); err != nil {
					t.Fatal(err)
				}
			}
			if err := during(t, b, func(h port.Handler) {
				quietly(h)
				sent(h, text)
				synctest.Wait()
				if !b.Alive().Equal(time.Now()) {
					t.Errorf("round %d: it last showed life %s ago", round, time.Since(b.Alive()))
				}
			}); err != nil {
				t.Fatal(err)
			}
		}
		expect(t, b.journal.bodies(), "port-up 1", "weighing 1.000 g", "unread the line was unfinished when weighpost stopped reading the port",
			"port-up 1", "weighing 345 g", "weighing 2.000 g")
		if s := b.Status(); s.Recorded != 3 || s.LastID != "site/inc/b-12/000006" {
			t.Errorf("%+v", s)
		}
		if w := b.journal.bodies()[5].(*record.Weighing); w.Port != "/dev/ttyS8" {
			t.Errorf("it came through %s", w.Port)
		}
	})
}
