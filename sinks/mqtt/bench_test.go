package mqtt

import (
	"context"
	"fmt"
	"testing"

	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
)

// BenchmarkDeliver measures acknowledged weighings on a real mosquitto, in batches of one (each waits for its PUBACK) and
// of more (up to 64 in flight). One operation is one weighing.
func BenchmarkDeliver(b *testing.B) {
	for _, broker := range []string{"mosquitto", "embedded"} {
		for _, batch := range []int{1, 16, 256} {
			b.Run(fmt.Sprintf("%s/batch=%d", broker, batch), func(b *testing.B) {
				url := ""
				if broker == "mosquitto" {
					url = mosquitto.Start(b, mosquitto.Options{}).URL()
				} else {
					url = "mqtt://" + startMochi(b)
				}
				s := openSink(b, config(url))
				entries := sinktest.Weighings(batch, 3)
				if _, err := s.Deliver(context.Background(), entries); err != nil {
					b.Fatal(err)
				}
				b.SetBytes(int64(len(entries[0].JSON)))
				b.ReportAllocs()
				before := cpu()
				b.ResetTimer()
				for done := 0; done < b.N; done += batch {
					if _, err := s.Deliver(context.Background(), entries[:min(batch, b.N-done)]); err != nil {
						b.Fatal(err)
					}
				}
				b.StopTimer()
				if used := cpu() - before; broker == "mosquitto" {
					b.ReportMetric(float64(used.Nanoseconds())/1000/float64(b.N), "CPU-µs/weighing") // of this process alone
				}
				b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "weighings/s")
			})
		}
	}
}
