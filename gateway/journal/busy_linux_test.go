package journal

import (
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// cpu is what this process has used of the processors.
func cpu(b *testing.B) time.Duration {
	var use unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &use); err != nil {
		b.Fatal(err)
	}
	return time.Duration(use.Utime.Nano() + use.Stime.Nano())
}

// 256 balances that print ten lines a second each: what recording takes of the processors, and how much memory the process
// has. It is the journal's part of the budgets of 100 µs a line and 96 MiB.
func BenchmarkBusySite(b *testing.B) {
	for b.Loop() {
		j := open(b, Options{Dir: benchDir(b)})
		before := cpu(b)
		times := printing(b, journalled(j), 256, 100*time.Millisecond, 10*time.Second)
		used := cpu(b) - before
		var use unix.Rusage
		if err := unix.Getrusage(unix.RUSAGE_SELF, &use); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(used.Microseconds())/float64(len(times)), "cpu-µs/weighing")
		b.ReportMetric(float64(p99(times).Microseconds()), "durable-p99-µs")
		b.ReportMetric(float64(use.Maxrss)/1024, "MiB-resident")
	}
}
