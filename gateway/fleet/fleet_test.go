package fleet

import (
	"context"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/deliver"
	"weighpost/gateway/health"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/nats"
	"weighpost/sinks/nats/natstest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// fleet is many gateways that deliver to one stream.
type fleet struct {
	members []*member
	stop    func() // ends all deliveries, each with a last checkpoint
}

// sinkConfig is what the gateways have in their configuration for servers of a test.
func sinkConfig(replicas int, urls ...string) *nats.Config {
	c := nats.Default()
	c.Servers, c.Create, c.Replicas = urls, true, replicas
	return c
}

// muster makes n gateways and has them deliver. Which servers one knows is asked for each.
func muster(t testing.TB, n int, delivery func() *deliver.Config, config func(n int) *nats.Config) *fleet {
	t.Helper()
	f := &fleet{}
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	f.stop = sync.OnceFunc(func() { cancel(); running.Wait() })
	t.Cleanup(f.stop)
	for i := range n {
		m, err := newMember(i)
		if err != nil {
			t.Fatal(err)
		}
		sink, err := config(i).Open("centre", sinks.Env{Site: m.site})
		if err != nil {
			t.Fatal(err)
		}
		c := delivery()
		c.ID, c.Entries = "centre", []string{"all"}
		runner := deliver.New(m, sink, *c, deliver.Deps{Board: health.New(time.Now), Stamp: func() record.Stamp {
			return record.Stamp{UTC: record.UTC(time.Now()), Clock: record.ClockUnchecked}
		}})
		f.members = append(f.members, m)
		running.Go(func() {
			if err := runner.Run(ctx); err != nil {
				t.Errorf("%s: %v", m.site, err)
			}
		})
	}
	return f
}

// weigh has every gateway weigh as often, its balances in turn.
func (f *fleet) weigh(t testing.TB, each int) {
	t.Helper()
	at := time.Now()
	for _, m := range f.members {
		for i := range each {
			if err := m.weigh(i%balances, at.Add(time.Duration(i)*time.Microsecond)); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// work has balances drawn by lot print at a mean rate, for a time.
func (f *fleet) work(t testing.TB, random *rand.Rand, perSecond float64, span time.Duration) (n int) {
	t.Helper()
	for end := time.Now().Add(span); time.Now().Before(end); n++ {
		if err := f.members[random.IntN(len(f.members))].weigh(random.IntN(balances), time.Now()); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration(random.ExpFloat64() / perSecond * float64(time.Second)))
	}
	return n
}

// caughtUp waits until everything of everybody is in the stream, and gives how long that took each of them, sorted.
func (f *fleet) caughtUp(t testing.TB, limit time.Duration) []time.Duration {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	took, begun := make([]time.Duration, len(f.members)), time.Now()
	var waiting sync.WaitGroup
	for i, m := range f.members {
		waiting.Go(func() {
			if err := m.caughtUp(ctx); err != nil {
				t.Error(err)
			}
			took[i] = time.Since(begun)
		})
	}
	waiting.Wait()
	slices.Sort(took)
	return took
}

// TestFleetComesBack takes every server away while many gateways weigh, and gives them back. At the end the stream holds each journal
// whole: every entry once, unaltered and in order, with a signed checkpoint that says so. With WEIGHPOST_LONG=1 there are three servers,
// which take their time to elect.
func TestFleetComesBack(t *testing.T) {
	times, random := needs.Rounds(t, 2, 20)
	servers := 1
	if times > 2 {
		servers = 3
	}
	cluster := natstest.Start(t, natstest.Options{Servers: servers})
	hasty := func() *deliver.Config {
		c := deliver.Default()
		c.RetryMin, c.RetryMax = strict.Duration(50*time.Millisecond), strict.Duration(400*time.Millisecond)
		return c
	}
	f := muster(t, 20, hasty, func(int) *nats.Config { return sinkConfig(servers, cluster.URLs()...) })
	f.weigh(t, 1)
	f.caughtUp(t, time.Minute)
	for range times {
		f.weigh(t, 20)
		for i := range servers {
			cluster.Kill(t, i)
		}
		f.work(t, random, 200, time.Second)
		for i := range servers {
			cluster.Run(t, i)
		}
		f.caughtUp(t, time.Minute)
	}
	f.stop()
	sites, all := readStream(t, cluster.URLs()[0], "WEIGHPOST")
	entries, again, checkpoints := hold(t, f.members, sites)
	t.Logf("all of %d servers killed %d times: %d messages, %d entries of %d gateways, %d of them twice, %d checkpoints",
		servers, times, all, entries, len(f.members), again, checkpoints)
	if again != 0 {
		t.Error("within the duplicate window the stream keeps an entry once")
	}
}
