package index

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/record"
)

// BenchmarkRecordingBesideTheIndex holds what recording takes while the index is made anew again and again, and searched ten times
// a second by each of two, against what it takes alone, in turns of five seconds on one disk: sixteen balances at ten lines a second.
func BenchmarkRecordingBesideTheIndex(b *testing.B) {
	dir := b.TempDir()
	j := journaltest.Open(b, journal.Options{Dir: dir})
	for n := range 200 {
		bodies := make([]record.Body, 500)
		for i := range bodies {
			bodies[i] = lotWeighing(i%20, 500*n+i)
		}
		if _, err := j.Append(b.Context(), bodies...); err != nil {
			b.Fatal(err)
		}
	}
	var alone, beside []time.Duration
	for b.Loop() {
		for range 3 {
			alone = append(alone, recordFor(b, j, 5*time.Second)...)
			ctx, cancel := context.WithCancel(b.Context())
			var busy sync.WaitGroup
			busy.Go(func() { rebuildAgain(ctx, b, j, dir) })
			for hand := range 2 {
				busy.Go(func() { searchAgain(ctx, j, dir, hand) })
			}
			beside = append(beside, recordFor(b, j, 5*time.Second)...)
			cancel()
			busy.Wait()
		}
	}
	ms := func(list []time.Duration, part int) float64 {
		slices.Sort(list)
		return float64(list[len(list)*part/100].Microseconds()) / 1000
	}
	b.ReportMetric(ms(alone, 50), "alone-p50-ms")
	b.ReportMetric(ms(beside, 50), "beside-p50-ms")
	b.ReportMetric(ms(alone, 99), "alone-p99-ms")
	b.ReportMetric(ms(beside, 99), "beside-p99-ms")
	b.ReportMetric(float64(len(beside))/float64(len(alone)), "recorded-beside/alone")
}

func lotWeighing(balance, n int) *record.Weighing {
	return &record.Weighing{
		Balance: record.Balance{ID: fmt.Sprintf("b-%d", balance), Identity: "confirmed"},
		Value:   record.Value{Digits: fmt.Sprintf("%d.%04d", n%200, n%10000), Unit: "g", PrintedUnit: "g", Kind: "net", Stability: "stable", Range: "in"},
		Frame:   fmt.Appendf(nil, "%d.%04d g\r\n", n%200, n%10000),
		Stamp:   record.Stamp{UTC: record.UTC(time.Now()), Clock: record.ClockUnchecked},
		Context: record.Context{Sample: &record.Learnt{ID: fmt.Sprintf("lot-%06d", n%5000), By: record.ByScanned}},
	}
}

// recordFor lets sixteen balances print ten lines a second each, and gives how long each took to be recorded.
func recordFor(b *testing.B, j *journal.Journal, span time.Duration) []time.Duration {
	b.Helper()
	var mu sync.Mutex
	var took []time.Duration
	var hands sync.WaitGroup
	end := time.Now().Add(span)
	for hand := range 16 {
		hands.Go(func() {
			time.Sleep(time.Duration(hand) * 6 * time.Millisecond)
			tick := time.NewTicker(100 * time.Millisecond)
			defer tick.Stop()
			for n := 0; time.Now().Before(end); n++ {
				<-tick.C
				began := time.Now()
				if _, err := j.Append(b.Context(), lotWeighing(hand, n)); err != nil {
					b.Error(err)
					return
				}
				mu.Lock()
				took = append(took, time.Since(began))
				mu.Unlock()
			}
		})
	}
	hands.Wait()
	return took
}

// rebuildAgain makes the index anew as often as it is there.
func rebuildAgain(ctx context.Context, b *testing.B, j *journal.Journal, dir string) {
	for ctx.Err() == nil {
		db := OpenDB(dir)
		_ = os.Remove(db.name)
		whole, cancel := context.WithCancel(ctx)
		f := Feeder{DB: db, Journal: j, Log: slog.New(slog.DiscardHandler), OnState: func(s State) {
			if s.Indexed+1024 > s.Head {
				cancel()
			}
		}}
		f.Run(whole)
		cancel()
		if err := db.Close(); err != nil {
			b.Error(err)
		}
	}
}

// searchAgain lists entries, ten times a second.
func searchAgain(ctx context.Context, j *journal.Journal, dir string, hand int) {
	db := OpenDB(dir)
	defer db.Close()
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for n := hand; ctx.Err() == nil; n += 2 {
		<-tick.C
		f := Filter{Sample: fmt.Sprintf("lot-%06d", n%5000)}
		_, _ = Lister{Source: j, DB: db, Patience: time.Second}.List(ctx, f, Page{Limit: 100, Down: true})
	}
}
