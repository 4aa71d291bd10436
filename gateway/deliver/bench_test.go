package deliver_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"runtime"
	"runtime/metrics"
	"sync/atomic"
	"testing"
	"time"

	"weighpost/gateway/deliver"
	"weighpost/gateway/health"
	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks/sinktest"
)

// BenchmarkCatchUp has a sink that was away deliver what a real journal holds by then: 200,000 weighings, or 1,000,000 with
// WEIGHPOST_LONG=1. The far side takes everything at once, so that it is the journal and package deliver that are measured. Reported:
// entries/s; of-bare, against reading the same journal from beginning to end in the same portions; and how much of the heap
// is in use (what a collection could not free) with ten behind, with all behind while nobody takes them, and the most while
// they go out. Run it with -benchtime 1x.
func BenchmarkCatchUp(b *testing.B) {
	behind := 200_000
	if os.Getenv("WEIGHPOST_LONG") != "" {
		behind = 1_000_000
	}
	j := journaltest.Open(b, journal.Options{Site: "north-seed-bank"})
	record10 := weighings(b, 10)
	if _, err := j.Append(b.Context(), record10...); err != nil {
		b.Fatal(err)
	}
	far := &slow{}
	ten := waiting(b, j, far)
	for j.Head() < uint64(behind) {
		if _, err := j.Append(b.Context(), weighings(b, min(1000, behind-int(j.Head())))...); err != nil {
			b.Fatal(err)
		}
	}
	all := waiting(b, j, far)
	far.open.Store(true)
	var out uint64
	var took, bare time.Duration
	for i := 0; b.Loop(); i++ {
		head := j.Head() // with what the Runner itself recorded
		began := time.Now()
		out = max(out, catchUp(b, j, far, fmt.Sprintf("far-side-%d", i)))
		took += time.Since(began)
		began = time.Now()
		for at := uint64(0); at < head; {
			list, err := j.Read(b.Context(), at, deliver.Default().BatchSize)
			if err != nil || len(list) == 0 {
				b.Fatal("reading ended before the head", err)
			}
			at = list[len(list)-1].Seq
		}
		bare += time.Since(began)
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(float64(behind*b.N)/took.Seconds(), "entries/s")
	b.ReportMetric(bare.Seconds()/took.Seconds(), "of-bare")
	b.ReportMetric(float64(ten>>10), "kB-10-behind")
	b.ReportMetric(float64(all>>10), "kB-all-behind")
	b.ReportMetric(float64(out>>10), "kB-going-out")
}

// weighings are bodies as the generator makes them.
func weighings(b *testing.B, n int) []record.Body {
	bodies := make([]record.Body, n)
	for i, e := range sinktest.Weighings(n, 3) {
		w := new(record.Weighing)
		if err := json.Unmarshal(e.JSON, w); err != nil {
			b.Fatal(err)
		}
		w.Head = record.Head{}
		bodies[i] = w
	}
	return bodies
}

// slow takes nothing, and everything at once when it is open.
type slow struct {
	open         atomic.Bool
	tried, taken atomic.Int64
}

func (s *slow) Deliver(_ context.Context, entries []record.Entry) (int, error) {
	if s.tried.Add(1); !s.open.Load() {
		return 0, errors.New("nobody there")
	}
	s.taken.Add(int64(len(entries)))
	return len(entries), nil
}

func (s *slow) Close() error { return nil }

// started runs a Runner until the function that it gives is called.
func started(b *testing.B, j *journal.Journal, far *slow, id string) (*deliver.Runner, func()) {
	cfg := *deliver.Default()
	cfg.ID = id
	cfg.RetryMin, cfg.RetryMax = strict.Duration(10*time.Millisecond), strict.Duration(20*time.Millisecond)
	r := deliver.New(j, far, cfg, deliver.Deps{Board: health.New(time.Now), Stamp: func() record.Stamp {
		return record.Stamp{UTC: record.UTC(time.Now().UTC()), Clock: record.ClockUnchecked}
	}})
	ctx, cancel := context.WithCancel(b.Context())
	ended := make(chan error, 1)
	go func() { ended <- r.Run(ctx) }()
	return r, func() {
		cancel()
		if err := <-ended; err != nil {
			b.Errorf("Run: %v", err)
		}
	}
}

// waiting gives what is in use while entries wait for somebody who does not take them.
func waiting(b *testing.B, j *journal.Journal, far *slow) uint64 {
	tried := far.tried.Load()
	_, stop := started(b, j, far, "far-side")
	defer stop()
	for limit := time.Now().Add(time.Minute); far.tried.Load() < tried+3; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(limit) {
			b.Fatal("nothing is tried")
		}
	}
	runtime.GC()
	return inUse()
}

// catchUp waits until everything is delivered, and gives the most that was in use meanwhile, by the collections that came by themselves.
func catchUp(b *testing.B, j *journal.Journal, far *slow, id string) (most uint64) {
	r, stop := started(b, j, far, id)
	defer stop()
	for limit := time.Now().Add(10 * time.Minute); ; time.Sleep(2 * time.Millisecond) {
		most = max(most, inUse())
		if s := r.Status(); s.Lag == 0 && s.State == deliver.Working {
			return most
		}
		if time.Now().After(limit) {
			b.Fatalf("it does not come to an end: %+v", r.Status())
		}
	}
}

func inUse() uint64 {
	live := []metrics.Sample{{Name: "/gc/heap/live:bytes"}}
	metrics.Read(live)
	return live[0].Value.Uint64()
}
