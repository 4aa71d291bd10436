package nats

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"weighpost/gateway/needs"
	"weighpost/sinks/nats/natstest"
	"weighpost/sinks/sinktest"
	"weighpost/sinks/sinktest/toxic"
)

// startCluster starts three servers and waits until they can keep a stream.
func startCluster(t testing.TB) (*natstest.Cluster, Config) {
	t.Helper()
	cluster := natstest.Start(t, natstest.Options{Servers: 3})
	c := config(cluster.URLs()...)
	c.Replicas = 3
	s := openSink(t, c)
	eventually(t, 30*time.Second, "the cluster makes the stream", func() bool {
		_, err := s.Deliver(within(t, 10*time.Second), nil)
		return err == nil
	})
	return cluster, c
}

func eventually(t testing.TB, limit time.Duration, what string, done func() bool) {
	t.Helper()
	for end := time.Now().Add(limit); !done(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("not within %s: %s", limit, what)
		}
	}
}

// leader is the server that leads the stream just now, or -1.
func leader(r *reader, cluster *natstest.Cluster) int {
	js, err := jetstream.New(r.conn)
	if err != nil {
		return -1
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	s, err := js.Stream(ctx, r.stream)
	if err != nil || s.CachedInfo().Cluster == nil {
		return -1
	}
	return cluster.Index(s.CachedInfo().Cluster.Leader)
}

// TestLeaderKilledInMidWrite kills the server that leads the stream, again and again, while entries are delivered. At the end all are
// there, unaltered and in order; an entry that is there twice has the same id.
func TestLeaderKilledInMidWrite(t *testing.T) {
	t.Parallel() // most of it is waiting for elections
	kills, random := needs.Rounds(t, 1, 50)
	cluster, c := startCluster(t)
	far := read(t, strings.Join(cluster.URLs(), ","), c.Stream)
	killAndDeliver(t, kills, random, openSink(t, c), far, func(now func()) {
		who := -1
		eventually(t, 30*time.Second, "the stream has a leader", func() bool { who = leader(far, cluster); return who >= 0 })
		now()
		cluster.Kill(t, who)
		time.Sleep(time.Duration(random.IntN(400)) * time.Millisecond)
		cluster.Run(t, who)
	})
}

// killAndDeliver delivers, and kills once in each of as many parts of it, at a random place. At the end it asks the far side.
func killAndDeliver(t *testing.T, kills int, random *rand.Rand, s *Sink, far *reader, kill func(now func())) {
	t.Helper()
	const part = 2000
	entries := sinktest.Weighings(part*kills, 3)
	var accepted atomic.Int64
	amid := 0
	for i := range kills {
		delivered := make(chan struct{})
		go func() {
			defer close(delivered)
			for rest := entries[i*part : (i+1)*part]; len(rest) > 0; rest = rest[100:] {
				deliverAll(within(t, 60*time.Second), t, s, rest[:100])
				accepted.Add(100)
			}
		}()
		at := int64(i*part + 100*(1+random.IntN(8)))
		eventually(t, 60*time.Second, "entries are delivered", func() bool { return accepted.Load() >= at })
		kill(func() {
			if accepted.Load() < int64((i+1)*part) {
				amid++
			}
		})
		<-delivered
	}
	lost, duplicates, disorder := far.verdict(entries)
	t.Logf("%d kills, %d of them in mid-write, %d weighings: lost %d, first arrivals out of order %d, duplicates %d",
		kills, amid, len(entries), lost, disorder, duplicates)
	if lost != 0 || disorder != 0 || amid == 0 {
		t.Fail()
	}
}

// TestServerKilledInMidWrite does the same to a server alone.
func TestServerKilledInMidWrite(t *testing.T) {
	t.Parallel()
	kills, random := needs.Rounds(t, 2, 50)
	servers := natstest.Start(t, natstest.Options{})
	c := config(servers.URLs()...)
	killAndDeliver(t, kills, random, openSink(t, c), read(t, servers.URLs()[0], c.Stream), func(now func()) {
		now()
		servers.Kill(t, 0)
		servers.Run(t, 0)
	})
}

// TestBadNetwork delivers through a network that delays, cuts, resets, closes slowly and goes away.
func TestBadNetwork(t *testing.T) {
	t.Parallel()
	times, random := needs.Rounds(t, 6, 100)
	servers := natstest.Start(t, natstest.Options{})
	between := toxic.Start(t, servers.Addr(0))
	c := config("nats://" + between.Addr())
	c.Timeout = 500_000_000
	far := read(t, servers.URLs()[0], c.Stream)
	s := openSink(t, c)
	faults := []func() func(){
		func() func() { return between.Add(t, "latency", "upstream", `{"latency": 30, "jitter": 20}`) },
		func() func() { return between.Add(t, "latency", "downstream", `{"latency": 30, "jitter": 20}`) },
		func() func() { return between.Add(t, "bandwidth", "upstream", `{"rate": 50}`) },
		func() func() { return between.Add(t, "reset_peer", "upstream", `{"timeout": 10}`) },
		func() func() {
			return between.Add(t, "limit_data", "downstream", fmt.Sprintf(`{"bytes": %d}`, 500+random.IntN(3000)))
		},
		func() func() {
			return between.Add(t, "limit_data", "upstream", fmt.Sprintf(`{"bytes": %d}`, 500+random.IntN(30_000)))
		},
		func() func() { return between.Add(t, "slow_close", "upstream", `{"delay": 50}`) },
		func() func() { return between.Add(t, "timeout", "downstream", `{"timeout": 0}`) },
		func() func() { between.Down(); return func() { between.Up(t) } },
	}
	entries := sinktest.Weighings(200*times, 3)
	for i := range times {
		mend := faults[(i+random.IntN(2))%len(faults)]()
		time.AfterFunc(time.Duration(20+random.IntN(150))*time.Millisecond, mend)
		deliverAll(within(t, 30*time.Second), t, s, entries[200*i:200*(i+1)])
		mend()
	}
	lost, duplicates, disorder := far.verdict(entries)
	t.Logf("%d faults, %d weighings: lost %d, first arrivals out of order %d, duplicates %d", times, len(entries), lost, disorder, duplicates)
	if lost != 0 || disorder != 0 {
		t.Fail()
	}
}

// TestFrozenServer: a server that takes and never answers is given up after the limit, and another one is used.
func TestFrozenServer(t *testing.T) {
	needs.That(t, os.PathSeparator == '/', "a system that can freeze a process")
	servers := natstest.Start(t, natstest.Options{})
	c := config(servers.URLs()...)
	c.Timeout = 300_000_000
	far := read(t, servers.URLs()[0], c.Stream)
	s := openSink(t, c)
	entries := sinktest.Weighings(60, 3)
	deliverAll(within(t, 10*time.Second), t, s, entries[:20])
	servers.Freeze(t, 0)
	began := time.Now()
	n, err := s.Deliver(within(t, 10*time.Second), entries[20:])
	if n != 0 || !errors.Is(err, errLate) || time.Since(began) > 3*time.Second {
		t.Errorf("accepted %d after %s and said: %v", n, time.Since(began), err)
	}
	servers.Thaw(t, 0)
	deliverAll(within(t, 20*time.Second), t, s, entries[20:])
	if lost, duplicates, disorder := far.verdict(entries); lost+duplicates+disorder != 0 {
		t.Errorf("lost %d, out of order %d, duplicates %d within the window", lost, disorder, duplicates)
	}
}

// TestNothingIsBufferedWhileDisconnected: what Deliver said it could not hand over does not go out later by itself.
func TestNothingIsBufferedWhileDisconnected(t *testing.T) {
	servers := natstest.Start(t, natstest.Options{})
	between := toxic.Start(t, servers.Addr(0))
	far := read(t, servers.URLs()[0], "WEIGHPOST")
	s := openSink(t, config("nats://"+between.Addr()))
	entries := sinktest.Weighings(20, 3)
	deliverAll(within(t, 10*time.Second), t, s, entries[:10])
	between.Down()
	for range 3 {
		if n, err := s.Deliver(within(t, 5*time.Second), entries[10:]); n != 0 || err == nil {
			t.Fatal(n, err)
		}
	}
	between.Up(t)
	time.Sleep(500 * time.Millisecond)
	if got := len(far.messages()); got != 10 {
		t.Errorf("%d messages are in the stream, want 10", got)
	}
}
