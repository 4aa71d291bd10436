package mqtt

import (
	"strconv"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
)

// flood hands over n readings and reports how long the slowest took.
func flood(s *Sink, n int) (slowest time.Duration) {
	for i := range n {
		began := time.Now()
		s.Live(record.Live{Balance: "b-01", UTC: record.UTC(began), Value: &record.Value{Digits: strconv.Itoa(i), Unit: "g"}})
		slowest = max(slowest, time.Since(began))
	}
	return slowest
}

// TestLiveDropsWhereDeliveriesWait has a broker that is there, frozen, and gone. Live never waits and drops; no weighing is
// lost.
func TestLiveDropsWhereDeliveriesWait(t *testing.T) { each(t, testLiveDropsWhereDeliveriesWait) }

func testLiveDropsWhereDeliveriesWait(t *testing.T, config func(string) Config) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	far := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
	c := config(broker.URL())
	c.Live = true
	s := openSink(t, c)
	entries := sinktest.Weighings(30, 3)
	deliverAll(within(t, 60*time.Second), t, s, entries[:10])
	for i := range 20 {
		s.Live(record.Live{Balance: "b-01", Value: &record.Value{Digits: strconv.Itoa(i)}})
		eventually(t, 60*time.Second, "live arrives", func() bool { return len(far.messages("/b-01/live")) == i+1 })
	}
	if s.LiveDropped() != 0 {
		t.Errorf("%d readings dropped with all well", s.LiveDropped())
	}

	broker.Freeze(t)
	slow := flood(s, 100_000)
	if dropped := s.LiveDropped(); dropped == 0 {
		t.Error("nothing dropped although the broker was frozen: the pipe took it all, so this shows nothing")
	} else {
		t.Logf("frozen: %d of 100,000 dropped, the slowest call took %s", dropped, slow)
	}
	broker.Thaw(t)
	deliverAll(within(t, 60*time.Second), t, s, entries[10:20])

	broker.Stop(t)
	eventually(t, 60*time.Second, "the loss is noticed", func() bool { return s.current.Load() == nil })
	before := s.LiveDropped()
	slow = max(slow, flood(s, 1000))
	if got := s.LiveDropped() - before; got != 1000 {
		t.Errorf("%d of 1,000 dropped without a broker", got)
	}
	broker.Start(t)
	deliverAll(within(t, 60*time.Second), t, s, entries[20:])
	if lost, _, disorder := far.verdict(entries); lost != 0 || disorder != 0 {
		t.Errorf("lost %d weighings, out of order %d", lost, disorder)
	}
	if slow > 3*time.Second { // one write to a broker that takes nothing lasts 5 s
		t.Errorf("one call of Live took %s", slow)
	}
}

func TestLiveIsOffUnlessAskedFor(t *testing.T) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	far := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
	s := openSink(t, config(broker.URL()))
	deliverAll(within(t, 60*time.Second), t, s, sinktest.Weighings(1, 1))
	flood(s, 10)
	deliverAll(within(t, 60*time.Second), t, s, sinktest.Weighings(2, 1))
	if got := far.messages("/live"); len(got) != 0 {
		t.Errorf("%d live messages", len(got))
	}
}
