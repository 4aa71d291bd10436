package sparkplug

import (
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
	"weighpost/sinks/sinktest/toxic"
)

// QoS 0, which the standard wants, loses what is on its way when a connection ends. So these tests tell what was lost and do not judge it;
// what a host hears is unaltered and in order.

// hurried is a sink that waits half a second at most before its next session: as its sessions are short here, it would otherwise wait
// twice as long each time, up to 30 s.
func hurried(t *testing.T, c Config, answers time.Duration) *Sink {
	t.Helper()
	s, err := patient(c, "floor", sinks.Env{Site: "north-seed-bank"}, answers, 500*time.Millisecond)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

// TestBrokerKilledInMidWrite kills the broker while data goes to it. The host is back before the sink.
func TestBrokerKilledInMidWrite(t *testing.T) {
	rounds, random := needs.Rounds(t, 2, 50)
	broker := mosquitto.Start(t, mosquitto.Options{})
	h, between := listen(t, broker), toxic.Start(t, broker.Addr())
	c := config(broker)
	c.Broker = "mqtt://" + between.Addr()
	entries := sinktest.Weighings(rounds*400, 5)
	amid := sinktest.Amid(t, hurried(t, c, answerLimit), entries, rounds, random, func(int) {
		broker.Kill(t)
		between.Down()
		broker.Start(t)
		h.join(t, broker)
		between.Up(t)
	})
	h.heardOf(t, entries).Hold(t, "the broker killed", rounds, amid, len(entries))
}

// TestThroughABadNetwork delays, resets, cuts and closes what goes between sink and broker.
func TestThroughABadNetwork(t *testing.T) {
	rounds, random := needs.Rounds(t, 6, 100)
	broker := mosquitto.Start(t, mosquitto.Options{})
	h, between := listen(t, broker), toxic.Start(t, broker.Addr())
	c := config(broker)
	c.Broker = "mqtt://" + between.Addr()
	entries := sinktest.Weighings(rounds*100, 5)
	amid := sinktest.Amid(t, hurried(t, c, 700*time.Millisecond), entries, rounds, random, func(round int) {
		mend := between.Fault(t, round, random)
		time.Sleep(time.Duration(20+random.IntN(150)) * time.Millisecond)
		mend()
	})
	h.heardOf(t, entries).Hold(t, "a bad network", rounds, amid, len(entries))
}

// heardOf compares what the host knows after each message with what was sent. What is lost is told and left out of the verdict.
func (h *host) heardOf(t *testing.T, entries []record.Entry) (v sinktest.Verdict) {
	t.Helper()
	want, seq := map[string]sinktest.Fact{}, map[string]uint64{}
	for _, e := range entries {
		want[e.ID], seq[e.ID] = sinktest.FactOf(t, e), e.Seq
	}
	seen, last := map[string]bool{}, map[string]uint64{}
	for _, a := range h.weighings(t) {
		facts, err := parse(a)
		if err != nil || facts[0] != want[facts[0].ID] {
			v.Altered++
			continue
		}
		f := facts[0]
		switch {
		case seen[f.ID]:
			v.Duplicates++
		case seq[f.ID] < last[f.Balance]:
			v.Disorder++
		}
		seen[f.ID], last[f.Balance] = true, max(last[f.Balance], seq[f.ID])
	}
	t.Logf("QoS 0: %d of %d weighings were not heard", len(entries)-len(seen), len(entries))
	if len(seen) < len(entries)/2 {
		t.Error("so few were heard that this shows nothing")
	}
	return v
}
