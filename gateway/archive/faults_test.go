package archive

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	natsgo "github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"weighpost/gateway/needs"
	"weighpost/sinks/nats/natstest"
	"weighpost/sinks/postgres/pgtest"
)

// failover is three NATS servers, a PostgreSQL, instances in processes of their own, and gateways that publish all the while.
type failover struct {
	*place
	t         *testing.T
	cluster   *natstest.Cluster
	config    string
	log       string
	instances []*process
	sent      atomic.Int64
	faults    map[string]int
}

// TestFailover: while three gateways publish to three NATS servers and two instances share the work, NATS servers are killed in their turn, the
// instances are killed again and again, and PostgreSQL is killed and stopped in the middle (by default one fault of each kind). At the end every entry that was published is in the
// database once, with the same bytes, and all of it is verified and co-signed.
func TestFailover(t *testing.T) {
	count, random := needs.Rounds(t, 3, 80)
	cluster := natstest.Start(t, natstest.Options{Servers: 3})
	pg := pgtest.Start(t, pgtest.Options{})
	f := &failover{place: newPlace(t, cluster.URLs(), 3, pg), t: t, cluster: cluster, faults: map[string]int{}}
	f.log = filepath.Join(f.dir, "instances.log")
	var gateways []*gateway
	for i := range 3 {
		gateways = append(gateways, newGateway(t, fmt.Sprintf("site-%d", i), "7qx3a").connect(t, f.urls, f.name, 3))
	}
	f.config = f.file(t, gateways...)
	f.ready(gateways[0])
	for range 2 {
		f.instances = append(f.instances, startProcess(t, f.config, f.log))
	}
	r := f.reader(t, f.place.config(t, gateways...))
	ctx, cancel := context.WithTimeout(context.Background(), time.Duration(count)*time.Minute)
	defer cancel()
	working, enough := context.WithCancel(ctx)
	defer enough()
	var all sync.WaitGroup
	for _, g := range gateways {
		all.Go(func() { f.work(ctx, working, g) })
	}
	for i := range count {
		f.fault(i, random)
	}
	enough()
	all.Wait()
	f.verdict(r, gateways)
}

// ready waits until the cluster keeps a stream.
func (f *failover) ready(g *gateway) {
	f.t.Helper()
	for end := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
		if _, err := g.sink.Deliver(within(f.t, 10*time.Second), nil); err == nil {
			return
		} else if time.Now().After(end) {
			f.t.Fatalf("the cluster makes no stream: %v", err)
		}
	}
}

// work weighs and publishes, some entries at a time and then the head, until it is enough.
func (f *failover) work(ctx, working context.Context, g *gateway) {
	for working.Err() == nil && ctx.Err() == nil {
		g.deliver(ctx, f.t, g.weigh(f.t, 40))
		g.head(ctx, f.t, g.checkpoint(f.t, len(g.entries)))
		f.sent.Add(40)
		select {
		case <-working.Done():
		case <-time.After(50 * time.Millisecond):
		}
	}
}

// fault does the next fault of eight, while messages are on their way.
func (f *failover) fault(i int, random *rand.Rand) {
	f.t.Helper()
	faults := []struct {
		name string
		do   func()
	}{
		{"NATS server 0 killed", func() { f.loseServer(0, random) }},
		{"PostgreSQL killed", func() { f.pg.Kill(f.t); f.amid(random); f.pg.Run(f.t) }},
		{"both instances killed", func() { f.instances[0].kill(); f.instances[1].kill(); f.loseInstance(0); f.loseInstance(1) }},
		{"NATS server 1 killed", func() { f.loseServer(1, random) }},
		{"one instance killed", func() { f.loseInstance(random.IntN(2)) }},
		{"NATS server 2 killed", func() { f.loseServer(2, random) }},
		{"PostgreSQL stopped and started", func() { f.pg.Stop(f.t); f.pg.Run(f.t) }},
		{"one instance killed", func() { f.loseInstance(random.IntN(2)) }},
	}
	fault := faults[i%len(faults)]
	before := f.sent.Load()
	f.amid(random)
	fault.do()
	f.faults[fault.name]++
	// Work goes on before the next one comes.
	for end := time.Now().Add(time.Minute); f.sent.Load() < before+80; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			f.t.Fatalf("nothing is published after: %s", fault.name)
		}
	}
}

// amid waits for a random part of a moment.
func (f *failover) amid(random *rand.Rand) {
	time.Sleep(time.Duration(random.IntN(300)) * time.Millisecond)
}

func (f *failover) loseServer(i int, random *rand.Rand) {
	f.t.Helper()
	f.cluster.Kill(f.t, i)
	f.amid(random)
	f.cluster.Run(f.t, i)
}

func (f *failover) loseInstance(i int) {
	f.t.Helper()
	f.instances[i].kill()
	f.instances[i] = startProcess(f.t, f.config, f.log)
}

// verdict holds the database against what was published.
func (f *failover) verdict(r *Reader, gateways []*gateway) {
	f.t.Helper()
	total := 0
	for _, g := range gateways {
		at := until(f.t, r, originOf(g.site, g.incarnation), 90*time.Second, "all is co-signed", cosignedTo(uint64(len(g.entries))))
		if at.State != StateVerified || at.Evidence != 0 || len(at.Wrong) != 0 {
			f.t.Errorf("%+v", at)
		}
		f.whole(f.t, g)
		f.place.published(f.t, g, at)
		total += len(g.entries)
	}
	odd, err := r.Oddities(within(f.t, 10*time.Second), "")
	if err != nil || len(odd) != 0 {
		f.t.Errorf("%v: %+v", err, odd)
	}
	log, err := os.ReadFile(f.log)
	if err != nil {
		f.t.Fatal(err)
	}
	f.t.Logf("faults: %v; %d entries published by %d gateways, all in the database once, verified and co-signed; %d attempts of instances failed and were made again",
		f.faults, total, len(gateways), strings.Count(string(log), "it is tried again"))
}

// acknowledgedTooEarlyLoses shows that these tests can fail: an instance that acknowledges before the database has committed loses what it had
// when it is killed, and one that does not loses nothing.
func acknowledgedTooEarlyLoses(t *testing.T, p *place) {
	for _, hasty := range []bool{true, false} {
		site := map[bool]string{true: "hasty-lab", false: "north-lab"}[hasty]
		g := newGateway(t, site, "7qx3a").connect(t, p.urls, p.name, p.replicas)
		cfg, ctx := p.config(t, g), within(t, time.Minute)
		cfg.NATS.Consumer = site
		stop := instance(t, cfg, func(a *Archive) { a.hasty = hasty })
		g.deliver(ctx, t, g.weigh(t, 5))
		g.head(ctx, t, g.checkpoint(t, 5))
		r := p.reader(t, cfg)
		until(t, r, originOf(site, "7qx3a"), 20*time.Second, "5 are co-signed", cosignedTo(5))
		p.pg.Stop(t)
		g.deliver(ctx, t, g.weigh(t, 5))
		p.taken(t, site, hasty)
		stop()
		p.pg.Run(t)
		instance(t, cfg)
		g.deliver(ctx, t, g.weigh(t, 5))
		g.head(ctx, t, g.checkpoint(t, 15))
		if hasty {
			at := until(t, r, originOf(site, "7qx3a"), 20*time.Second, "the loss is told", func(s Gateway) bool { return s.Highest == 15 && len(s.Wrong) > 0 || s.Cosigned == 15 })
			if len(at.Wrong) == 0 || !strings.Contains(at.Wrong[0], "not come") || at.Cosigned != 5 {
				t.Errorf("a hasty instance lost nothing, so that the test would not notice one: %+v", at)
			}
			t.Logf("acknowledged before the commit: %s", at.Wrong[0])
			continue
		}
		until(t, r, originOf(site, "7qx3a"), 30*time.Second, "all is co-signed", cosignedTo(15))
	}
}

// taken waits until a consumer has been given all that is in the stream and, where that is asked for, has acknowledged some of the last five.
func (p *place) taken(t testing.TB, consumer string, acknowledged bool) {
	t.Helper()
	conn, err := natsgo.Connect(p.urls[0])
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		c, err := js.Consumer(within(t, 5*time.Second), p.name, consumer)
		if err == nil && c.CachedInfo().NumPending == 0 && !(acknowledged && c.CachedInfo().NumAckPending >= 5) {
			return
		}
	}
	t.Fatal("the consumer was not given what is in the stream")
}
