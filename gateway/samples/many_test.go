package samples

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/record"
)

// filled writes samples into a journal, and after each some entries of other kinds.
func filled(t testing.TB, dir string, samples, others int) *journal.Journal {
	t.Helper()
	j := journaltest.Open(t, journal.Options{Dir: dir, Site: "seed-bank"})
	var bodies []record.Body
	flush := func() {
		if _, err := j.Append(t.Context(), bodies...); err != nil {
			t.Fatal(err)
		}
		bodies = bodies[:0]
	}
	add := func(b record.Body) {
		if bodies = append(bodies, b); len(bodies) == batch {
			flush()
		}
	}
	for n, o := 0, 0; n < samples; n++ {
		id := fmt.Sprintf("LOT-%07d", n)
		add(&record.SampleAnnounced{Sample: record.Sample{ID: id, Lot: "L-" + id[4:8], Fields: map[string]string{"box": "B7"}}, Change: record.SampleNew, By: by, Stamp: stamp()})
		for ; o*samples < (n+1)*others && o < others; o++ {
			add(&record.Weighing{Balance: record.Balance{ID: "b-1"}, Context: record.Context{Sample: &record.Learnt{ID: id}}, Stamp: stamp()})
		}
	}
	if len(bodies) > 0 {
		flush()
	}
	return j
}

// started starts a room over a journal and gives how long it took until it knew all of it, and by how much the heap grew.
func started(t testing.TB, j *journal.Journal, dir string) (b *Room, stop func(), took time.Duration, grown uint64) {
	t.Helper()
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	began := time.Now()
	r := New(Options{Dir: dir, Journal: j, Stamp: stamp})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); r.Run(ctx) }()
	stop = func() { cancel(); <-done }
	if err := r.view.Reached(ctx, j.Head()); err != nil {
		stop()
		t.Fatal(err)
	}
	took = time.Since(began)
	runtime.GC()
	runtime.ReadMemStats(&after)
	return r, stop, took, max(after.HeapAlloc, before.HeapAlloc) - before.HeapAlloc
}

// TestManySamplesAreKnownAfterAStart: as many as there can be, over a journal of 300,000 entries (a tenth of that unless
// WEIGHPOST_LONG=1), without what was written down and with it. What it takes is bounded for each sample.
func TestManySamplesAreKnownAfterAStart(t *testing.T) {
	samples, others := Most/10, 10_000
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		samples, others = Most, 100_000
	}
	dir := t.TempDir()
	j := filled(t, dir, samples, others)
	for _, with := range []string{"without what was written down", "with it"} {
		r, stop, took, grown := started(t, j, dir)
		t.Logf("%s: %d samples in %d entries are known after %s, and take %d MB, %d bytes each", with, r.Count(), j.Head(), took.Round(time.Millisecond), grown>>20, grown/uint64(samples))
		if r.Count() != samples || grown > uint64(samples)*4096 {
			t.Errorf("%s: %d samples, %d bytes", with, r.Count(), grown)
		}
		for _, n := range []int{0, samples / 2, samples - 1} {
			if s, known, ready := r.Sample(fmt.Sprintf("LOT-%07d", n)); !known || !ready || s.By.ID != by.ID || s.Fields["box"] != "B7" {
				t.Errorf("%s: sample %d is %+v, %v, %v", with, n, s, known, ready)
			}
		}
		stop()
		if _, err := os.Stat(filepath.Join(dir, FileName)); err != nil {
			t.Fatal(err)
		}
	}
}

// BenchmarkStart measures a start over 200,000 samples in 300,000 entries, as above.
func BenchmarkStart(b *testing.B) {
	dir := b.TempDir()
	j := filled(b, dir, Most, 100_000)
	for _, with := range []bool{false, true} {
		b.Run(fmt.Sprintf("written_down=%v", with), func(b *testing.B) {
			var grown uint64
			for b.Loop() {
				if !with {
					os.Remove(filepath.Join(dir, FileName))
				}
				_, stop, _, heap := started(b, j, dir)
				grown = heap
				b.StopTimer() // what the stop writes down is no part of the start
				stop()
				b.StartTimer()
			}
			b.ReportMetric(float64(grown)/(1<<20), "MB")
		})
	}
}
