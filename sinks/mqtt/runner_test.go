package mqtt

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"weighpost/gateway/clock"
	"weighpost/gateway/deliver"
	"weighpost/gateway/health"
	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks/mqtt/mosquitto"
)

// TestJournalReachesBrokerThroughRestarts records weighings into a real journal without pause, delivers them with the real
// runner, and stops and starts the broker again and again meanwhile. The judge is a subscriber of its own; what it must have got is
// what the journal holds.
func TestJournalReachesBrokerThroughRestarts(t *testing.T) {
	t.Parallel() // most of it is waiting
	restarts := 8
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		restarts = 200
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	broker := mosquitto.Start(t, mosquitto.Options{})
	far := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
	j := journaltest.Open(t, journal.Options{Site: testSite})

	cfg := deliver.Default()
	cfg.ID = "bench"
	cfg.RetryMin, cfg.RetryMax = strict.Duration(10*time.Millisecond), strict.Duration(200*time.Millisecond)
	runner := deliver.New(j, openSink(t, config(broker.URL())), *cfg, deliver.Deps{
		Board: health.New(time.Now), Stamp: func() record.Stamp { return clock.System{}.Stamp(time.Now()) },
	})
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	ran := make(chan error, 1)
	go func() { ran <- runner.Run(ctx) }()
	weighing, rest := context.WithCancel(context.Background())
	defer rest()
	recorded := make(chan int, 1)
	go func() { recorded <- weigh(weighing, t, j) }()

	for range restarts {
		at := j.Head()
		eventually(t, 30*time.Second, "weighings are recorded and delivered", func() bool {
			return j.Head() > at+uint64(20+random.IntN(40)) && runner.Status().Cursor > at
		})
		broker.Stop(t)
		down := j.Head()
		eventually(t, 30*time.Second, "recording goes on without a broker", func() bool { return j.Head() > down+uint64(random.IntN(30)) })
		broker.Start(t)
	}
	rest()
	n := <-recorded
	eventually(t, 60*time.Second, "everything is delivered", func() bool { return runner.Status().Cursor == j.Head() })
	sent, err := j.Read(context.Background(), 0, int(j.Head()))
	if err != nil {
		t.Fatal(err)
	}
	lost, duplicates, disorder := far.verdict(sent)
	t.Logf("%d restarts, %d weighings recorded: lost %d, first arrivals out of order %d, duplicates %d", restarts, n, lost, disorder, duplicates)
	if lost != 0 || disorder != 0 || n != len(sent) || n < 20*restarts {
		t.Errorf("recorded %d, in the journal %d", n, len(sent))
	}
	unchanged(t, far, sent)
	stop()
	if err := <-ran; err != nil {
		t.Errorf("the runner ended with: %v", err)
	}
	if note := far.messages("/checkpoint"); len(note) == 0 {
		t.Error("no checkpoint was published")
	}
}

// weigh records weighings of four balances until ctx ends, and says how many were acknowledged as recorded.
func weigh(ctx context.Context, t *testing.T, j *journal.Journal) (n int) {
	for ; ctx.Err() == nil; n++ {
		w := &record.Weighing{
			Balance: record.Balance{ID: fmt.Sprintf("b-%02d", n%4), Identity: "confirmed"},
			Value:   record.Value{Digits: fmt.Sprintf("+%d.%04d", n%220, n%10_000), Unit: "g", PrintedUnit: "g", Kind: "net", Stability: "stable", Range: "in"},
			Frame:   fmt.Appendf(nil, "lot %4d.%04d g\r\n", n%220, n%10_000), Trigger: "printed", Port: "/dev/ttyUSB0",
			Stamp: clock.System{}.Stamp(time.Now()), Fitness: record.Fitness{State: "unknown"},
		}
		if _, err := j.Append(context.Background(), w); err != nil {
			t.Errorf("recording: %v", err)
			return n
		}
		select {
		case <-ctx.Done():
		case <-time.After(time.Millisecond): // a busy bench, not a flood
		}
	}
	return n
}

// unchanged checks that each arrival has the exact bytes of the journal's entry.
func unchanged(t *testing.T, far *collector, sent []record.Entry) {
	t.Helper()
	want := make(map[string][]byte, len(sent))
	for _, e := range sent {
		want[e.ID] = e.JSON
	}
	for _, m := range far.messages("/weighing") {
		e, err := record.ParseEntry(m.Payload())
		if err != nil || !bytes.Equal(want[e.ID], m.Payload()) {
			t.Fatalf("%s arrived changed: %v\n%s", e.ID, err, m.Payload())
		}
	}
}
