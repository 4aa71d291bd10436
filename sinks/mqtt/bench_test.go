package mqtt

import (
	"context"
	"errors"
	"fmt"
	"net"
	"testing"
	"time"

	paho5 "github.com/eclipse/paho.golang/paho"
	paho "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/sync/errgroup"

	"weighpost/gateway/record"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
)

// BenchmarkDeliver: weighings that a real mosquitto has acknowledged at QoS 1, one by one and 64 in flight, against a bare loop of a
// general client library: paho.mqtt.golang for 3.1.1, paho.golang for 5. The latter has no way to hand over a message and learn of its
// acknowledgement later, so that its bare loop has 64 goroutines, and keeps no order.
func BenchmarkDeliver(b *testing.B) {
	for _, batch := range []int{1, 256} {
		b.Run(fmt.Sprintf("3.1.1/batch=%d", batch), func(b *testing.B) {
			broker := mosquitto.Start(b, mosquitto.Options{})
			client := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + broker.Addr()).SetClientID("bare").SetProtocolVersion(4))
			if token := client.Connect(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
				b.Fatal("the bare client cannot connect", token.Error())
			}
			defer client.Disconnect(100)
			sinktest.Against(b, batch, openSink(b, config(broker.URL())), func(entries []record.Entry) error { return bare3(client, entries) })
		})
		b.Run(fmt.Sprintf("5/batch=%d", batch), func(b *testing.B) {
			broker := mosquitto.Start(b, mosquitto.Options{})
			line, err := net.Dial("tcp", broker.Addr())
			if err != nil {
				b.Fatal(err)
			}
			client := paho5.NewClient(paho5.ClientConfig{Conn: line})
			if _, err := client.Connect(b.Context(), &paho5.Connect{ClientID: "bare", KeepAlive: 30, CleanStart: true}); err != nil {
				b.Fatal(err)
			}
			defer func() {
				_ = client.Disconnect(&paho5.Disconnect{})
				<-client.Done()
			}()
			sinktest.Against(b, batch, openSink(b, config5(broker.URL())), func(entries []record.Entry) error { return bare5(b.Context(), client, entries) })
		})
	}
}

// bare3 has as many messages in flight as the sink.
func bare3(client paho.Client, entries []record.Entry) error {
	tokens := make([]paho.Token, 0, len(entries))
	wait := func(t paho.Token) error {
		if !t.WaitTimeout(10 * time.Second) {
			return errors.New("no acknowledgement within 10 s")
		}
		return t.Error()
	}
	done := 0
	for _, e := range entries {
		for ; len(tokens)-done >= window; done++ {
			if err := wait(tokens[done]); err != nil {
				return err
			}
		}
		tokens = append(tokens, client.Publish("bare/"+e.Balance, 1, false, []byte(e.JSON)))
	}
	for ; done < len(tokens); done++ {
		if err := wait(tokens[done]); err != nil {
			return err
		}
	}
	return nil
}

func bare5(ctx context.Context, client *paho5.Client, entries []record.Entry) error {
	all, ctx := errgroup.WithContext(ctx)
	all.SetLimit(window)
	for _, e := range entries {
		all.Go(func() error {
			_, err := client.Publish(ctx, &paho5.Publish{Topic: "bare/" + e.Balance, QoS: 1, Payload: e.JSON})
			return err
		})
	}
	return all.Wait()
}

// BenchmarkCost measures the CPU that an acknowledged weighing costs, that of the broker not counted, in batches of one (each waits for
// its PUBACK) and of more (up to 64 in flight). One operation is one weighing.
func BenchmarkCost(b *testing.B) {
	for _, batch := range []int{1, 16, 256} {
		b.Run(fmt.Sprintf("batch=%d", batch), func(b *testing.B) {
			s := openSink(b, config(mosquitto.Start(b, mosquitto.Options{}).URL()))
			entries := sinktest.Weighings(batch, 3)
			if _, err := s.Deliver(context.Background(), entries); err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			before := cpu()
			b.ResetTimer()
			for done := 0; done < b.N; done += batch {
				if _, err := s.Deliver(context.Background(), entries[:min(batch, b.N-done)]); err != nil {
					b.Fatal(err)
				}
			}
			b.StopTimer()
			b.ReportMetric(float64((cpu()-before).Nanoseconds())/1000/float64(b.N), "CPU-µs/weighing") // of this process alone
		})
	}
}
