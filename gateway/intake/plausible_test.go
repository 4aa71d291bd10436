package intake

import (
	"slices"
	"strings"
	"testing"
	"testing/synctest"

	"weighpost/gateway/port"
	"weighpost/gateway/port/uart"
	"weighpost/gateway/record"
	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
)

// TestAWeightThatTheBalanceCannotMeanIsRefused: each weight beside what the balance's plate makes of it. The allowance above
// the capacity is that of OIML R 76-1:2006 (9 e; the clause from memory), and common practice where there is no e.
func TestAWeightThatTheBalanceCannotMeanIsRefused(t *testing.T) {
	for _, c := range []struct{ capacity, d, e, printed, want string }{
		{"220 g", "0.001 g", "", "12.345 g", ""},
		{"220 g", "0.001 g", "", "12.3450 g", ""},        // more digits of the same weight
		{"220 g", "0.001 g", "", "12.3 g", ""},           // fewer digits chosen in the menu
		{"220 g", "0.001 g", "", "12.3451 g", "0.001 g"}, // finer than the balance resolves
		{"220 g", "0.002 g", "", "12.344 g", ""},
		{"220 g", "0.002 g", "", "12.345 g", "0.002 g"}, // a damaged last digit
		{"220 g", "0.05 g", "", "-199.95 g", ""},
		{"220 g", "0.05 g", "", "199.97 g", "0.05 g"},
		{"220 g", "0.001 g", "", "231.000 g", ""}, // a twentieth more
		{"220 g", "0.001 g", "", "231.001 g", "220 g"},
		{"220 g", "0.001 g", "", "-731.001 g", "220 g"},
		{"220 g", "0.001 g", "0.01 g", "220.090 g", ""}, // Max + 9 e
		{"220 g", "0.001 g", "0.01 g", "220.091 g", "220 g"},
		{"220 g", "0.001 g", "", "12345 mg", ""},
		{"220 g", "0.001 g", "", "12345.5 mg", "0.001 g"},
		{"220 g", "0.001 g", "", "999999 mg", "220 g"},
		{"220 g", "0.001 g", "", "0.012345 kg", ""},
		{"220 g", "0.001 g", "", "0.0123455 kg", "0.001 g"},
		{"220 g", "0.001 g", "", "61.7253 car", ""}, // steps of its own in carats
		{"220 g", "0.001 g", "", "1200.000 car", "220 g"},
		{"", "", "", "999999.12345 g", ""}, // nothing is known of the balance
		{"", "0.001 g", "", "123456789012345678 g", ""},
		{"", "0.000001 g", "", "123456789012345678 kg", ""},
		{"220 g", "0.1 g", "", "123456789012345678 g", "220 g"},
		{"220 g", "0.001 g", "", "5000 pcs", ""}, // no mass
	} {
		cfg := Config{}
		for _, q := range []struct {
			of   *Quantity
			text string
		}{{&cfg.Capacity, c.capacity}, {&cfg.Readability, c.d}, {&cfg.VerificationInterval, c.e}} {
			if q.text != "" {
				*q.of = mustQuantity(t, q.text)
			}
		}
		var r layout.Reading
		if err := mustLayout(t, free).Apply(frame.Frame{Bytes: []byte(c.printed), Body: []byte(c.printed)}, &r); err != nil {
			t.Fatalf("%s: %v", c.printed, err)
		}
		p := newPlausible(&cfg)
		if got := p.doubt(&r); (got == "") != (c.want == "") || !strings.HasSuffix(got, c.want) {
			t.Errorf("%s of %s by %s: %q, want one that ends in %q", c.printed, c.capacity, c.d, got, c.want)
		}
	}
}

func TestAnImplausibleWeightIsKeptOnlyWhereAsked(t *testing.T) {
	for _, keep := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			b := newBench(t, anchored, func(c *Config) {
				c.Capacity = mustQuantity(t, "220 g")
				if keep {
					c.Implausible = implausibleKept
				}
			}, nil)
			if err := during(t, b, func(h port.Handler) {
				quietly(h)
				sent(h, "W 12.345 g S\nW 712.345 g S\nW 13.345 g S\n")
			}); err != nil {
				t.Fatal(err)
			}
			if !keep {
				expect(t, b.journal.bodies(), "port-up 1", "weighing 12.345 g",
					"unread 712.345 g is beyond the capacity of the balance, 220 g", "weighing 13.345 g")
				return
			}
			expect(t, b.journal.bodies(), "port-up 1", "weighing 12.345 g", "weighing 712.345 g", "weighing 13.345 g")
			for i, want := range []bool{true, false, true} {
				v := b.journal.bodies()[i+1].(*record.Weighing).Verdicts
				if failed := slices.ContainsFunc(v, func(v record.Verdict) bool { return v.Rule == rulePlausible && !v.Pass }); failed == want {
					t.Errorf("weighing %d has the verdicts %+v", i+1, v)
				}
			}
		})
	}
}

// TestPlausibilityFindsDamageThatReads flips each bit of a line on the wire, at 8N1 with neither parity nor check, in the
// bit-level model of a line. What the capacity and the readability rule out is refused; what they do not can only be found
// by a parity or a check, which is what `validate config` says.
func TestPlausibilityFindsDamageThatReads(t *testing.T) {
	l := mustLayout(t, free)
	cfg := Config{Capacity: mustQuantity(t, "220 g"), Readability: mustQuantity(t, "0.0005 g")}
	p := newPlausible(&cfg)
	line := uart.Settings{Speed: 9600, DataBits: 8, Parity: "none", StopBits: 1}
	sent := line.Send([]byte("   12.3450 g\r\n"), 20)
	other, refused := 0, 0
	for bit := range sent.Levels {
		levels := slices.Clone(sent.Levels)
		levels[bit] = !levels[bit]
		s := l.Splitter()
		var heard []byte
		for _, c := range line.Receive(uart.Wave{Speed: sent.Speed, Levels: levels}, false) {
			heard = append(heard, c.Value)
		}
		s.Push(heard, func(f frame.Frame) {
			var r layout.Reading
			if l.Apply(f, &r) != nil || r.Digits() == "12.3450" && r.UnitCode() == "g" {
				return
			}
			other++
			if p.doubt(&r) != "" {
				refused++
			}
		})
	}
	t.Logf("of %d flipped bits %d gave another weight that reads; %d of these are refused", len(sent.Levels), other, refused)
	if refused == 0 {
		t.Error("none is refused")
	}
}
