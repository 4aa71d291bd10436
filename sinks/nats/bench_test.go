package nats

import (
	"testing"

	natsgo "github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"weighpost/gateway/record"
	"weighpost/sinks/nats/natstest"
	"weighpost/sinks/sinktest"
)

// BenchmarkDeliver: acknowledged weighings on a real server, against the library's own asynchronous publishing of the same messages
// with the same ids.
func BenchmarkDeliver(b *testing.B) {
	const batch = 256
	servers := natstest.Start(b, natstest.Options{})
	conn, err := natsgo.Connect(servers.URLs()[0])
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close()
	js, err := jetstream.New(conn, jetstream.WithPublishAsyncMaxPending(batch))
	if err != nil {
		b.Fatal(err)
	}
	sinktest.Against(b, batch, openSink(b, config(servers.URLs()...)), func(entries []record.Entry) error {
		waits := make([]jetstream.PubAckFuture, 0, len(entries))
		for _, e := range entries {
			f, err := js.PublishAsync("weighpost.bare", e.JSON, jetstream.WithMsgID("bare/"+e.ID))
			if err != nil {
				return err
			}
			waits = append(waits, f)
		}
		for _, f := range waits {
			select {
			case <-f.Ok():
			case err := <-f.Err():
				return err
			}
		}
		return nil
	})
}
