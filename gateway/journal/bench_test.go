package journal

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// The budgets of the design: each benchmark measures both sides of a ratio in one run, on one disk. WEIGHPOST_BENCH_DIR
// names a folder on the disk to measure; by default it is the temporary one.
func benchDir(b *testing.B) string {
	b.Helper()
	if at := os.Getenv("WEIGHPOST_BENCH_DIR"); at != "" {
		dir, err := os.MkdirTemp(at, "journal-bench-")
		if err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { os.RemoveAll(dir) })
		return dir
	}
	return b.TempDir()
}

// fill appends n weighings with many hands, as fast as they are taken.
func fill(b *testing.B, j *Journal, n int) time.Duration {
	b.Helper()
	const hands, each = 64, 32
	begin := time.Now()
	var wg sync.WaitGroup
	for hand := range hands {
		wg.Go(func() {
			for done := 0; done < n/hands; done += each {
				bodies := make([]record.Body, min(each, n/hands-done))
				for i := range bodies {
					bodies[i] = weighing(fmt.Sprintf("b-%d", hand), done+i)
				}
				if _, err := j.Append(context.Background(), bodies...); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	wg.Wait()
	return time.Since(begin)
}

// oneByOne is the straightforward way: one commit a row in a table of the same record size.
func oneByOne(b *testing.B, dir string, span time.Duration) (perSecond float64) {
	b.Helper()
	db, err := openWriter(osDisk{}, filepath.Join(dir, "plain.db"), "FULL")
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	must := func(err error) {
		if err != nil {
			b.Fatal(err)
		}
	}
	must(db.WALAutoCheckpoint(1000)) // SQLite's default
	must(db.Exec("CREATE TABLE weighings(n INTEGER PRIMARY KEY, json BLOB)"))
	insert, _, err := db.Prepare("INSERT INTO weighings(json) VALUES(?)")
	must(err)
	defer insert.Close()
	d := newDraft(&state{incarnation: "abcde", numbers: map[string]uint64{}}, "north-lab")
	n, begin := 0, time.Now()
	for ; time.Since(begin) < span; n++ {
		w := weighing("b-12", n)
		w.ID, w.Seq, w.Site, w.Schema = record.EntryID("north-lab", "abcde", "b-12", uint64(n)), uint64(n), "north-lab", w.Kind().Schema()
		raw, err := d.encode(w)
		must(err)
		must(insert.BindBlob(1, raw))
		must(insert.Exec())
	}
	return float64(n) / time.Since(begin).Seconds()
}

// 256 balances that each wait for their weighing to be durable before the next, against one commit a row. Budget: ratio ≥ 6.
func BenchmarkSustained(b *testing.B) {
	const span = 4 * time.Second
	for b.Loop() {
		single := oneByOne(b, benchDir(b), span)
		j := open(b, Options{Dir: benchDir(b)})
		var wg sync.WaitGroup
		begin := time.Now()
		for hand := range 256 {
			wg.Go(func() {
				for i := 0; time.Since(begin) < span; i++ {
					if _, err := j.Append(context.Background(), weighing(fmt.Sprintf("b-%d", hand), i)); err != nil {
						b.Error(err)
						return
					}
				}
			})
		}
		wg.Wait()
		grouped := float64(j.Head()) / time.Since(begin).Seconds()
		b.ReportMetric(single, "single/s")
		b.ReportMetric(grouped, "weighings/s")
		b.ReportMetric(grouped/single, "ratio")
	}
}

// diskTimes are the disk's own times for appending 4 KiB and syncing.
func diskTimes(b *testing.B, dir string, n int) []time.Duration {
	b.Helper()
	f, err := os.Create(filepath.Join(dir, "probe"))
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	block := make([]byte, 4096)
	times := make([]time.Duration, n)
	for i := range times {
		begin := time.Now()
		if _, err := f.WriteAt(block, int64(i)*4096); err != nil {
			b.Fatal(err)
		}
		if err := syncData(f); err != nil {
			b.Fatal(err)
		}
		times[i] = time.Since(begin)
		time.Sleep(time.Millisecond)
	}
	return times
}

func p99(times []time.Duration) time.Duration {
	slices.Sort(times)
	return times[len(times)*99/100]
}

// 16 balances that print ten lines a second each, against the disk's own write and sync, in turns. Copying the WAL back is
// included: it comes several times. Budget: ratio of the 99th percentiles ≤ 6.
//
// When the disk stalls, one write of the probe waits, and ten weighings a second of each balance. So the same balances also
// print straight to a file, a write and a sync each, one after the other: that ratio is free of the difference.
func BenchmarkLatency(b *testing.B) {
	for b.Loop() {
		var own, ours, bare []time.Duration
		j := open(b, Options{Dir: benchDir(b)})
		dir := benchDir(b)
		for range 10 {
			own = append(own, diskTimes(b, dir, 300)...)
			ours = append(ours, printing(b, journalled(j), 16, 100*time.Millisecond, 2*time.Second)...)
			bare = append(bare, printing(b, bareFile(b, dir), 16, 100*time.Millisecond, 2*time.Second)...)
		}
		disk, durable, direct := p99(own), p99(ours), p99(bare)
		b.ReportMetric(float64(disk.Microseconds()), "disk-p99-µs")
		b.ReportMetric(float64(durable.Microseconds()), "durable-p99-µs")
		b.ReportMetric(float64(durable)/float64(disk), "ratio")
		b.ReportMetric(float64(durable)/float64(direct), "ratio-same-load")
	}
}

// journalled keeps a weighing in a journal.
func journalled(j *Journal) func(balance string, n int) error {
	return func(balance string, n int) error {
		_, err := j.Append(context.Background(), weighing(balance, n))
		return err
	}
}

// bareFile keeps 4 KiB for each weighing in a file.
func bareFile(b *testing.B, dir string) func(balance string, n int) error {
	f, err := os.Create(filepath.Join(dir, "bare"))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { f.Close() })
	var mu sync.Mutex
	block, off := make([]byte, 4096), int64(0)
	return func(string, int) error {
		mu.Lock()
		defer mu.Unlock()
		off += 4096
		if _, err := f.WriteAt(block, off); err != nil {
			return err
		}
		return syncData(f)
	}
}

// printing lets balances print at their pace, each from its own moment on, and gives the times until each was durable.
func printing(b *testing.B, keep func(balance string, n int) error, balances int, every, span time.Duration) (times []time.Duration) {
	var mu sync.Mutex
	var wg sync.WaitGroup
	for n := range balances {
		wg.Go(func() {
			time.Sleep(every * time.Duration(n) / time.Duration(balances))
			tick := time.NewTicker(every)
			defer tick.Stop()
			for i := range int(span / every) {
				<-tick.C
				begin := time.Now()
				if err := keep(fmt.Sprintf("b-%d", n), i); err != nil {
					b.Error(err)
					return
				}
				mu.Lock()
				times = append(times, time.Since(begin))
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	return times
}

// folderSize is everything in a journal's folder.
func folderSize(b *testing.B, dir string) (size int64) {
	b.Helper()
	err := filepath.WalkDir(dir, func(_ string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		size += info.Size()
		return err
	})
	if err != nil {
		b.Fatal(err)
	}
	return size
}

// What a weighing takes on the disk, everything in the folder counted. Budget: ≤ 1,500 bytes.
func BenchmarkSize(b *testing.B) {
	for b.Loop() {
		dir := benchDir(b)
		j := open(b, Options{Dir: dir})
		const n = 64_000
		fill(b, j, n)
		e, err := j.Read(context.Background(), n-1, 1)
		if err != nil {
			b.Fatal(err)
		}
		if err := j.Close(); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(folderSize(b, dir))/n, "B/weighing")
		b.ReportMetric(float64(len(e[0].JSON)), "B/json")
	}
}

// The cost of a weighing in a journal that grows, and the start of the grown journal. Budgets: the last window ≤ 1.3 × the
// first; start with a million entries ≤ 1 s.
func BenchmarkGrowth(b *testing.B) {
	size, window := 200_000, 20_000
	if os.Getenv("WEIGHPOST_LONG") != "" {
		size = 10_000_000
	}
	for b.Loop() {
		dir := benchDir(b)
		j := open(b, Options{Dir: dir})
		fill(b, j, 1000)
		first := min(fill(b, j, window), fill(b, j, window), fill(b, j, window))
		for int(j.Head()) < size-3*window {
			fill(b, j, window)
			if n := int(j.Head()); os.Getenv("WEIGHPOST_LONG") != "" && n-window < 1_000_000 && n >= 1_000_000 {
				b.ReportMetric(float64(restart(b, &j, dir).Milliseconds()), "start-1M-ms")
			}
		}
		last := min(fill(b, j, window), fill(b, j, window), fill(b, j, window))
		b.ReportMetric(float64(first.Nanoseconds())/float64(window), "ns/first")
		b.ReportMetric(float64(last.Nanoseconds())/float64(window), "ns/last")
		b.ReportMetric(float64(last)/float64(first), "ratio")
		b.ReportMetric(float64(restart(b, &j, dir).Milliseconds()), "start-ms")
		b.ReportMetric(float64(j.Head()), "entries")
	}
}

// restart gives the time from Open to the first weighing that is recorded.
func restart(b *testing.B, j **Journal, dir string) time.Duration {
	b.Helper()
	if err := (*j).Close(); err != nil {
		b.Fatal(err)
	}
	begin := time.Now()
	*j = open(b, Options{Dir: dir})
	if _, err := (*j).Append(context.Background(), weighing("b-0", 0)); err != nil {
		b.Fatal(err)
	}
	return time.Since(begin)
}
