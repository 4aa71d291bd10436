package postgres

import (
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"weighpost/sinks/postgres/pgtest"
	"weighpost/sinks/sinktest"
)

// BenchmarkDeliver measures committed weighings on a real server in batches of 256, against a bare loop that queues one insert of the same row for
// each (pgx.Batch, one transaction), in turn in the same run. One operation is a batch of each.
func BenchmarkDeliver(b *testing.B) {
	const batch = 256
	server := pgtest.Start(b, pgtest.Options{})
	s := openSink(b, config(b, server.Addr()))
	if _, err := s.Deliver(context.Background(), sinktest.Weighings(1, 9)); err != nil {
		b.Fatal(err)
	}
	c := s.cfg
	c.Table = "bare"
	l, err := c.dial(context.Background())
	if err != nil {
		b.Fatal(err)
	}
	defer l.close()
	entries := sinktest.Weighings(batch*b.N+1, 3)[1:]
	var ours, bare time.Duration
	b.ResetTimer()
	for i := range b.N {
		part := entries[i*batch : (i+1)*batch]
		began := time.Now()
		if n, err := s.Deliver(context.Background(), part); n != batch {
			b.Fatal(n, err)
		}
		ours += time.Since(began)
		rows, _ := rowsOf(part)
		began = time.Now()
		queue := &pgx.Batch{}
		for _, r := range rows {
			queue.Queue("INSERT INTO bare ("+names()+") VALUES ($1,$2,$3,$4,$5,$6,$7,$8,$9,$10,$11,$12,$13,$14,$15,$16,$17,$18,$19,$20,$21,$22)", r.values()...)
		}
		if err := l.conn.SendBatch(context.Background(), queue).Close(); err != nil {
			b.Fatal(err)
		}
		bare += time.Since(began)
	}
	b.ReportMetric(float64(b.N*batch)/ours.Seconds(), "weighings/s")
	b.ReportMetric(bare.Seconds()/ours.Seconds(), "of-bare-loop")
}
