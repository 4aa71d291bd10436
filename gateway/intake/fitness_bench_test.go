package intake

import (
	"context"
	"fmt"
	"testing"
	"time"

	"weighpost/gateway/fitness"
	inmemory "weighpost/gateway/journal/memory"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
)

// looked is the room with no check running.
type looked struct{ *fitness.Room }

func (looked) Offer(Offered) []record.Body { return nil }

// roomOf is a room that knows a year of daily checks of the balance, a repeatability and a certificate.
func roomOf(b *testing.B, m fitness.Minimum) looked {
	now := time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC)
	at := func(t time.Time) record.Stamp { return record.Stamp{UTC: record.UTC(t), Clock: record.ClockChecked} }
	k, balance := inmemory.New("lab"), record.Balance{ID: "b-12"}
	add := func(body record.Body) {
		if _, err := k.Append(b.Context(), body); err != nil {
			b.Fatal(err)
		}
	}
	for i := range 365 {
		when := now.AddDate(0, 0, i-365)
		ref := record.CheckRef{ID: fmt.Sprintf("b-12/c%06d", i+1), Definition: "daily"}
		add(&record.CheckBegun{Check: ref, Balance: balance, Why: record.CheckScheduled, Stamp: at(when)})
		add(&record.CheckEnded{Check: ref, Balance: balance, Outcome: record.CheckPassed, MinimumWeight: &record.MinimumWeight{Mass: "0.0820 g", Source: "USP <41>"}, Stamp: at(when)})
	}
	add(&record.Upkeep{Balance: balance, Act: record.Calibrated, Calibration: &record.Calibration{Certificate: record.Certificate{Number: "4711"}, Alpha: "0.00018 g", Beta: "0.0000011"}, Stamp: at(now)})
	cfg := fitness.Default()
	cfg.Checks, cfg.Minimum = []fitness.Scheduled{{Check: "daily", Every: "day"}}, m
	room := fitness.New(fitness.Options{Dir: b.TempDir(), Journal: k, Zone: time.UTC, Stamp: func() record.Stamp { return at(now) },
		Balances: func() []fitness.Balance { return []fitness.Balance{{Describe: balance, Config: cfg}} },
		Balance: func(id string) (fitness.Balance, bool) {
			return fitness.Balance{Describe: balance, Config: cfg}, id == balance.ID
		}})
	ctx, stop := context.WithCancel(b.Context())
	done := make(chan struct{})
	go func() { defer close(done); room.Run(ctx) }()
	b.Cleanup(func() { stop(); <-done })
	looking, enough := context.WithTimeout(b.Context(), time.Minute)
	defer enough()
	if err := room.Look(looking); err != nil {
		b.Fatal(err)
	}
	if m != (fitness.Minimum{}) {
		v := room.Judge(&record.Weighing{Balance: balance, Value: record.Value{Digits: "12.3450", Unit: "g", Kind: "net", Range: "in"}})
		if len(v) != 1 || v[0].NotJudged || !v[0].Pass {
			b.Fatalf("%+v", v)
		}
	}
	return looked{room}
}

// BenchmarkFitnessOfALine is what a printed line costs from the port to the journal's door without a fitness, with its look-up, and with the
// net quantity judged by each kind of minimum weight. What counts is the ratio to the first.
func BenchmarkFitnessOfALine(b *testing.B) {
	line := []byte("W   +12.3450 g   S\r\n")
	for _, c := range []struct {
		name string
		m    *fitness.Minimum
	}{
		{"without", nil},
		{"state", &fitness.Minimum{}},
		{"a mass", &fitness.Minimum{Mass: "20 mg", Unmarked: "net"}},
		{"USP 41", &fitness.Minimum{USP41: true, Unmarked: "net"}},
		{"certificate", &fitness.Minimum{CG18: &fitness.CG18{Required: "0.10", Safety: "2"}, Unmarked: "net"}},
	} {
		b.Run(c.name, func(b *testing.B) {
			x := newBench(b, anchored, nil, nil)
			x.recorder, x.live = discard{}, nobody{}
			if c.m != nil {
				x.fitness = roomOf(b, *c.m)
			}
			x.line = script(func(_ context.Context, h port.Handler) error {
				at := time.Now()
				h.Up(at)
				b.ReportAllocs()
				b.ResetTimer()
				for range b.N {
					at = at.Add(100 * time.Millisecond)
					h.Bytes(line, port.Arrival{At: at})
					for waiting, _ := x.out.totals(); waiting > room/2; waiting, _ = x.out.totals() {
						time.Sleep(10 * time.Microsecond) // the benchmark is faster than any balance
					}
				}
				return nil
			})
			if err := x.Run(context.Background()); err != nil {
				b.Fatal(err)
			}
			if s := x.Status(); s.Unkept != 0 || s.Unread != 0 || s.Recorded == 0 && b.N > 100 {
				b.Fatalf("%+v", s)
			}
		})
	}
}
