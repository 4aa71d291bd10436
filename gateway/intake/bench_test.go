package intake

import (
	"context"
	"testing"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
)

// discard acknowledges everything and keeps nothing.
type discard struct{}

func (discard) Append(_ context.Context, bodies ...record.Body) ([]record.Entry, error) {
	out := make([]record.Entry, len(bodies))
	for i, b := range bodies {
		out[i] = record.Entry{Seq: uint64(i + 1), Kind: b.Kind(), ID: "site/inc/b-12/000001", Balance: b.Subject()}
	}
	return out, nil
}

type nobody struct{}

func (nobody) Publish(record.Live) {}

// BenchmarkLine is what one printed line of 20 bytes costs from the port to the journal's door, under each capture rule.
func BenchmarkLine(b *testing.B) {
	line := []byte("W   +12.3450 g   S\r\n")
	for _, rule := range []Rule{{Kind: Printed}, {Kind: Settling, Settled: DefaultSettled}, everyFiveSeconds} {
		b.Run(rule.String(), func(b *testing.B) {
			x := newBench(b, anchored, func(c *Config) { c.Record = rule }, nil)
			x.recorder, x.live = discard{}, nobody{}
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
			if s := x.Status(); s.Unkept != 0 || s.Unread != 0 || s.Frames != uint64(b.N) || s.Recorded == 0 && b.N > 100 {
				b.Fatalf("%+v", s)
			}
		})
	}
}

var everyFiveSeconds = Rule{Kind: Periodic, Every: 5_000_000_000}
