package sinktest

import (
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// Against tells how fast a sink delivers batches of so many weighings, against a bare loop that hands the same ones to the same
// destination with the client library alone. Both work in turn in one run, each the first of the two every second time, so that
// whatever else the machine does weighs on both. One operation is a batch of each. Reported are weighings a second of the sink, of
// the bare loop, and of-bare: the first by the second.
//
// The first batch of both, which connects, is not counted.
func Against(b *testing.B, batch int, ours sinks.Sink, bare func([]record.Entry) error) {
	b.Helper()
	g, made := newGenerator(7), 0
	next := func() []record.Entry {
		list := make([]record.Entry, batch)
		for i := range list {
			list[i] = g.next(made)
			made++
		}
		return list
	}
	deliver := func(entries []record.Entry) time.Duration {
		began := time.Now()
		if n, err := ours.Deliver(b.Context(), entries); n != len(entries) || err != nil {
			b.Fatalf("accepted %d of %d: %v", n, len(entries), err)
		}
		return time.Since(began)
	}
	loop := func(entries []record.Entry) time.Duration {
		began := time.Now()
		if err := bare(entries); err != nil {
			b.Fatalf("the bare loop: %v", err)
		}
		return time.Since(began)
	}
	first := next()
	deliver(first)
	loop(first)
	var of, ob time.Duration
	for b.Loop() {
		entries := next()
		if made/batch%2 == 0 {
			of += deliver(entries)
			ob += loop(entries)
		} else {
			ob += loop(entries)
			of += deliver(entries)
		}
	}
	count := float64(made - batch)
	b.ReportMetric(0, "ns/op") // of both, and what makes the weighings: says nothing
	b.ReportMetric(count/of.Seconds(), "weighings/s")
	b.ReportMetric(count/ob.Seconds(), "bare/s")
	b.ReportMetric(ob.Seconds()/of.Seconds(), "of-bare")
}
