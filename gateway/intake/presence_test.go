package intake

import (
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
)

// TestALongWeighing: a stream whose weight grows for 50 minutes keeps whoever weighs signed in where policy says so, and one that only
// flickers does not.
func TestALongWeighing(t *testing.T) {
	for name, c := range map[string]struct {
		counts bool
		step   int
		want   bool
	}{"grows, and counts": {true, 15, true}, "grows, and does not count": {false, 15, false}, "flickers": {true, 1, false}} {
		inBubble(t, anchored, func(c *Config) { c.Record = Rule{Kind: Settling, Settled: DefaultSettled} }, func(t *testing.T, b *bench, h port.Handler) {
			b.balanceCounts = func() bool { return c.counts }
			var told atomic.Int32
			b.present = func() { told.Add(1) }
			if _, err := b.SetContext(t.Context(), record.ContextRequest{Person: &record.ContextItem{ID: "p-07"}, By: record.BySignedIn, At: time.Now()}); err != nil {
				t.Error(err)
			}
			grams := 1000
			for i := range 50 {
				sent(h, fmt.Sprintf("W %d.%03d g S\n", grams/1000, grams%1000))
				if grams += c.step; c.step == 1 && i%2 == 1 {
					grams -= 2
				}
				time.Sleep(time.Minute)
			}
			if got := strings.Contains(fmt.Sprint(b.Context().Items), "p-07"); got != c.want || told.Load() > 0 != c.want {
				t.Errorf("%s: signed in %v, told %d times that somebody is there", name, got, told.Load())
			}
		})
	}
}
