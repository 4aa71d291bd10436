package journal

import (
	"context"
	"os"
	"testing"
	"time"
)

// BenchmarkVerify verifies a journal of 102,400 weighings of their usual size, and of a million with WEIGHPOST_LONG=1. What
// counts is entries/s of one processor core: run it with -cpu 1.
func BenchmarkVerify(b *testing.B) {
	n := 102_400
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		n = 1_024_000
	}
	dir := benchDir(b)
	j, err := Open(context.Background(), Options{Dir: dir, Site: "north-lab"})
	if err != nil {
		b.Fatal(err)
	}
	fill(b, j, n)
	if err := j.Close(); err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	b.ResetTimer()
	for b.Loop() {
		began := time.Now()
		r, err := Verify(context.Background(), dir, "", nil)
		if err != nil || !r.Verified || r.Entries != uint64(n) {
			b.Fatalf("%v\n%s", err, r.Text())
		}
		b.ReportMetric(float64(n)/time.Since(began).Seconds(), "entries/s")
	}
}
