package postgres

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/sinks"
	"weighpost/sinks/postgres/pgtest"
	"weighpost/sinks/sinktest"
	"weighpost/sinks/sinktest/toxic"
)

// TestServerKilledInMidWrite kills the server again and again while entries are delivered. At the end all are there, once, unaltered and in
// order.
func TestServerKilledInMidWrite(t *testing.T) {
	t.Parallel()
	kills, random := needs.Rounds(t, 2, 50)
	server := pgtest.Start(t, pgtest.Options{})
	s := openSink(t, config(t, server.Addr()))
	const part = 2000
	entries := sinktest.Weighings(part*kills, 3)
	var accepted atomic.Int64
	amid := 0
	for i := range kills {
		delivered := make(chan struct{})
		go func() {
			defer close(delivered)
			for rest := entries[i*part : (i+1)*part]; len(rest) > 0; rest = rest[50:] {
				deliverAll(within(t, 60*time.Second), t, s, rest[:50])
				accepted.Add(50)
			}
		}()
		at := int64(i*part + 50*(1+random.IntN(15)))
		for end := time.Now().Add(60 * time.Second); accepted.Load() < at && time.Now().Before(end); {
			time.Sleep(time.Millisecond)
		}
		if accepted.Load() < int64((i+1)*part) {
			amid++
		}
		server.Kill(t)
		server.Run(t)
		<-delivered
	}
	lost, disorder := verdict(t, server.Addr(), "weighpost_entries", entries)
	t.Logf("%d kills, %d of them in mid-write, %d weighings: lost %d, out of order %d", kills, amid, len(entries), lost, disorder)
	if lost != 0 || disorder != 0 || amid == 0 {
		t.Fail()
	}
}

// TestBadNetwork delivers through a network that delays, cuts, resets, closes slowly and goes away.
func TestBadNetwork(t *testing.T) {
	t.Parallel()
	times, random := needs.Rounds(t, 6, 100)
	server := pgtest.Start(t, pgtest.Options{})
	between := toxic.Start(t, server.Addr())
	c := config(t, between.Addr())
	c.Timeout = 1_000_000_000
	s := openSink(t, c)
	faults := []func() func(){
		func() func() { return between.Add(t, "latency", "upstream", `{"latency": 20, "jitter": 10}`) },
		func() func() { return between.Add(t, "bandwidth", "upstream", `{"rate": 50}`) },
		func() func() { return between.Add(t, "reset_peer", "upstream", `{"timeout": 10}`) },
		func() func() {
			return between.Add(t, "limit_data", "downstream", fmt.Sprintf(`{"bytes": %d}`, random.IntN(3000)))
		},
		func() func() {
			return between.Add(t, "limit_data", "upstream", fmt.Sprintf(`{"bytes": %d}`, 500+random.IntN(300_000)))
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
	lost, disorder := verdict(t, server.Addr(), "weighpost_entries", entries)
	t.Logf("%d faults, %d weighings: lost %d, out of order %d", times, len(entries), lost, disorder)
	if lost != 0 || disorder != 0 {
		t.Fail()
	}
}

// TestFrozenServer: a server that takes and never answers is given up after the limit, and works again once it goes on.
func TestFrozenServer(t *testing.T) {
	t.Parallel()
	needs.That(t, os.PathSeparator == '/', "a system that can freeze a process")
	server := pgtest.Start(t, pgtest.Options{})
	c := config(t, server.Addr())
	c.Timeout = 500_000_000
	s := openSink(t, c)
	entries := sinktest.Weighings(60, 3)
	deliverAll(within(t, 10*time.Second), t, s, entries[:20])
	server.Freeze(t)
	began := time.Now()
	n, err := s.Deliver(within(t, 10*time.Second), entries[20:])
	if took := time.Since(began); n != 0 || err == nil || errors.As(err, new(sinks.Unusable)) || took > 4*time.Second {
		t.Errorf("accepted %d after %s and said: %v", n, took, err)
	}
	server.Thaw(t)
	deliverAll(within(t, 20*time.Second), t, s, entries[20:])
	if lost, disorder := verdict(t, server.Addr(), "weighpost_entries", entries); lost+disorder != 0 {
		t.Errorf("lost %d, out of order %d", lost, disorder)
	}
	// Read-only, as a standby is: it may pass.
	ask(t, server.Addr(), "ALTER ROLE keeper SET default_transaction_read_only = on")
	c.Timeout = 20_000_000_000 // to be let in takes a while on a busy machine
	_, last := openSink(t, c).Deliver(within(t, 20*time.Second), entries)
	if last == nil || !strings.Contains(last.Error(), "read-only") || errors.As(last, new(sinks.Unusable)) || errors.As(last, new(sinks.Refused)) {
		t.Errorf("a read-only server: %v", last)
	}
}
