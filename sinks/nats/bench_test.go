package nats

import (
	"context"
	"testing"
	"time"

	natsgo "github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"weighpost/gateway/record"
	"weighpost/sinks/nats/natstest"
	"weighpost/sinks/sinktest"
)

// BenchmarkDeliver measures acknowledged weighings on a real server in batches of 256, against the library's own asynchronous publishing
// of the same messages with the same ids, in turn in the same run. One operation is a batch of each.
func BenchmarkDeliver(b *testing.B) {
	servers := natstest.Start(b, natstest.Options{})
	const batch = 256
	c := config(servers.URLs()...)
	c.Window = 1_000_000_000 // the ids come again
	s := openSink(b, c)
	conn, err := natsgo.Connect(servers.URLs()[0])
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close()
	js, err := jetstream.New(conn, jetstream.WithPublishAsyncMaxPending(batch))
	if err != nil {
		b.Fatal(err)
	}
	entries := sinktest.Weighings(batch*(b.N+1), 3)
	if _, err := s.Deliver(context.Background(), entries[:batch]); err != nil {
		b.Fatal(err)
	}
	var ours, bare time.Duration
	b.ResetTimer()
	for i := range b.N {
		part := entries[(i+1)*batch : (i+2)*batch]
		began := time.Now()
		if n, err := s.Deliver(context.Background(), part); n != batch {
			b.Fatal(n, err)
		}
		ours += time.Since(began)
		began = time.Now()
		bareLoop(b, js, part)
		bare += time.Since(began)
	}
	b.ReportMetric(float64(b.N*batch)/ours.Seconds(), "weighings/s")
	b.ReportMetric(bare.Seconds()/ours.Seconds(), "of-bare-loop")
}

func bareLoop(b *testing.B, js jetstream.JetStream, part []record.Entry) {
	for _, e := range part {
		if _, err := js.PublishAsync("weighpost.bare", e.JSON, jetstream.WithMsgID("bare/"+e.ID)); err != nil {
			b.Fatal(err)
		}
	}
	<-js.PublishAsyncComplete()
}
