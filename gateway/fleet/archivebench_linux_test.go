package fleet

import (
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/deliver"
	"weighpost/sinks/nats"
	"weighpost/sinks/nats/natstest"
)

// BenchmarkArchive measures how fast one and two instances of the archive bring into a real PostgreSQL what many gateways have
// published, until all of it is verified and co-signed, and what that takes on the disk.
func BenchmarkArchive(b *testing.B) {
	n := number(b, "WEIGHPOST_FLEET", 1000)
	cluster := natstest.Start(b, natstest.Options{})
	f := muster(b, n, deliver.Default, func(int) *nats.Config { return sinkConfig(1, cluster.URLs()...) })
	f.weigh(b, eachFlat)
	f.caughtUp(b, 20*time.Minute)
	f.stop()
	c := newCentre(b, cluster)
	all := n * eachFlat
	for name, count := range map[string]int{"one": 1, "two": 2} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				cfg := c.config(b, name, f.members)
				empty := c.sql(b, name, "SELECT pg_database_size(current_database())").(int64)
				before, begun := used(b), time.Now()
				stop := instances(b, count, cfg)
				c.cosigned(b, name, f.members, 20*time.Minute)
				took, cpu := time.Since(begun), used(b)-before
				stop()
				if rows := c.sql(b, name, "SELECT count(*) FROM archive.entries"); rows != int64(all) {
					b.Fatalf("%v rows, of %d", rows, all)
				}
				size := c.sql(b, name, "SELECT pg_database_size(current_database())").(int64) - empty
				of := func(what string) float64 {
					return float64(c.sql(b, name, "SELECT "+what+"('archive.entries')").(int64)) / float64(all)
				}
				b.Logf("%d entries of %d gateways by %d instances, until all were co-signed: %s, %.0f/s; %.0f µs CPU of the instances an entry; "+
					"%.0f bytes in PostgreSQL an entry: %.0f in rows, %.0f in indexes, the rest trees and checkpoints",
					all, n, count, round(took), float64(all)/took.Seconds(), us(cpu)/float64(all), float64(size)/float64(all), of("pg_table_size"), of("pg_indexes_size"))
				b.ReportMetric(float64(all)/took.Seconds(), "entries/s")
			}
			b.ReportMetric(0, "ns/op")
		})
	}
}

// used is the processor time of this process so far.
func used(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
