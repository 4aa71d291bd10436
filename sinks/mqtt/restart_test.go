package mqtt

import (
	"os"
	"runtime"
	"testing"
	"time"

	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
)

// TestBrokerRestarts stops and starts the broker again and again under traffic. A subscriber of its own stays there throughout. It counts
// goroutines, so nothing runs beside it.
func TestBrokerRestarts(t *testing.T) { eachAlone(t, testBrokerRestarts) }

func testBrokerRestarts(t *testing.T, config func(string) Config) {
	restarts, size := 8, 900
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		restarts, size = 100, 40_000
	}
	broker := mosquitto.Start(t, mosquitto.Options{})
	far := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
	s := openSink(t, config(broker.URL()))
	if _, err := s.Deliver(within(t, 60*time.Second), nil); err != nil {
		t.Fatal(err)
	}
	before := runtime.NumGoroutine()
	entries := sinktest.Weighings(size, 3)
	step := size / (restarts + 1)
	for i := range restarts {
		traffic := make(chan struct{})
		part := entries[i*step : (i+1)*step]
		go func() {
			defer close(traffic)
			deliverAll(within(t, 60*time.Second), t, s, part)
		}()
		eventually(t, 60*time.Second, "traffic flows", func() bool {
			far.mu.Lock()
			defer far.mu.Unlock()
			return len(far.all) > i*step
		})
		broker.Stop(t)
		broker.Start(t)
		<-traffic
	}
	deliverAll(within(t, 60*time.Second), t, s, entries[restarts*step:])
	lost, duplicates, disorder := far.verdict(entries)
	t.Logf("%d restarts, %d weighings: lost %d, first arrivals out of order %d, duplicates %d", restarts, size, lost, disorder, duplicates)
	if lost != 0 || disorder != 0 {
		t.Fail()
	}
	eventually(t, 60*time.Second, "no goroutine is left over from old connections", func() bool {
		return runtime.NumGoroutine() <= before+5
	})
}
