package fleet

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"

	"weighpost/gateway/deliver"
	"weighpost/sinks/nats"
	"weighpost/sinks/nats/natstest"
)

// What a lab does, and how many there are. WEIGHPOST_FLEET sets how many gateways, WEIGHPOST_FLEET_SECONDS how long each part at rest or at
// work is looked at.
const (
	perDay    = 200 // weighings of a balance
	dayOfWork = 8 * time.Hour
	eachFlat  = 100 // entries of each gateway that wait when all go flat out
	watched   = 10  // gateways whose bytes on the wire are counted
)

func number(b *testing.B, name string, otherwise int) int {
	b.Helper()
	text := os.Getenv(name)
	if text == "" {
		return otherwise
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		b.Fatalf("%s=%q is no number from 1", name, text)
	}
	return n
}

// BenchmarkFleet measures what many gateways cost the servers of one stream: connected and at rest, at work as labs do, all at once, and
// when every server was away. At the end the far end counts.
func BenchmarkFleet(b *testing.B) {
	for _, servers := range []int{1, 3} {
		b.Run(fmt.Sprintf("servers=%d", servers), func(b *testing.B) {
			for b.Loop() {
				measure(b, servers)
			}
			b.ReportMetric(0, "ns/op") // of all parts together: says nothing
		})
	}
}

// bench is one run.
type bench struct {
	*testing.B
	*fleet
	cluster *natstest.Cluster
	servers int
	relay   *relay
	random  *rand.Rand
}

func measure(b *testing.B, servers int) {
	n, span := number(b, "WEIGHPOST_FLEET", 1000), time.Duration(number(b, "WEIGHPOST_FLEET_SECONDS", 60))*time.Second
	cluster := natstest.Start(b, natstest.Options{Servers: servers})
	r := &bench{B: b, cluster: cluster, servers: servers, relay: startRelay(b, cluster.Addr(0)), random: rand.New(rand.NewPCG(7, 7))}
	empty := look(b, cluster, servers)
	r.fleet = muster(b, n, deliver.Default, r.config)
	r.connect(empty)
	r.rest(span)
	r.work(span)
	r.flatOut()
	r.storm(span / 2)
	r.count()
}

// config has the first gateways go through the relay, and the others to the servers in turn.
func (r *bench) config(n int) *nats.Config {
	if n < watched {
		return sinkConfig(r.servers, r.relay.URL())
	}
	urls := r.cluster.URLs()
	return sinkConfig(r.servers, append(urls[n%len(urls):len(urls):len(urls)], urls[:n%len(urls)]...)...)
}

func (r *bench) look() taken { return look(r.B, r.cluster, r.servers) }

// connect has every gateway weigh once, and so connect.
func (r *bench) connect(empty taken) {
	r.weigh(r.B, 1)
	took := r.caughtUp(r.B, 5*time.Minute)
	time.Sleep(5 * time.Second) // what the servers clean up after that is theirs
	now, n := r.look(), len(r.members)
	r.Logf("connect: %d gateways within %s (half of them %s); %.1f ms CPU and %.0f kB resident a connection (%.1f MiB before, %.1f MiB after)",
		n, round(took[n-1]), round(took[n/2]), ms(now.since(empty))/float64(n), float64(now.resident-empty.resident)/float64(n)/1e3,
		mib(empty.resident), mib(now.resident))
	r.ReportMetric(float64(now.resident-empty.resident)/float64(n)/1e3, "kB/conn")
}

// rest looks at connections over which nothing goes.
func (r *bench) rest(span time.Duration) {
	time.Sleep(time.Minute) // the first checkpoints
	before, up, down := r.look(), r.relay.up.Load(), r.relay.down.Load()
	time.Sleep(span)
	after := r.look()
	r.Logf("at rest: %.3f ms CPU a connection and minute (all: %.1f %% of a core); %.1f bytes/s up and %.1f down a connection",
		ms(after.since(before))/float64(len(r.members))/span.Minutes(), 100*after.since(before).Seconds()/span.Seconds(),
		float64(r.relay.up.Load()-up)/watched/span.Seconds(), float64(r.relay.down.Load()-down)/watched/span.Seconds())
}

// work has the labs work as on a day, all of it within eight hours.
func (r *bench) work(span time.Duration) {
	rate := float64(len(r.members)) * balances * perDay / dayOfWork.Seconds()
	before, told, up, down, watchedBefore := r.look(), r.checkpoints(), r.relay.up.Load(), r.relay.down.Load(), r.headOf(watched)
	n := r.fleet.work(r.B, r.random, rate, span)
	r.caughtUp(r.B, time.Minute)
	after := r.look()
	weighings, notes := r.headOf(watched)-watchedBefore, r.checkpoints()-told
	r.Logf("at work: %d weighings in %s (%.1f/s) and %d checkpoints; %.0f µs CPU a weighing, rest and checkpoints included (%.1f %% of a core); "+
		"%d weighings of those watched: %.0f bytes up and %.0f down each, pings and checkpoints included",
		n, span, float64(n)/span.Seconds(), notes, us(after.since(before))/float64(n), 100*after.since(before).Seconds()/span.Seconds(),
		weighings, float64(r.relay.up.Load()-up)/float64(weighings), float64(r.relay.down.Load()-down)/float64(weighings))
	r.ReportMetric(us(after.since(before))/float64(n), "µs-CPU/weighing-at-work")
}

// flatOut has everybody deliver what waits at once.
func (r *bench) flatOut() {
	for _, m := range r.members {
		m.hold(true)
	}
	r.weigh(r.B, eachFlat)
	before, up, down := r.look(), r.relay.up.Load(), r.relay.down.Load()
	for _, m := range r.members {
		m.hold(false)
	}
	took := r.caughtUp(r.B, 15*time.Minute)
	after, n, all := r.look(), eachFlat*len(r.members), took[len(took)-1]
	r.Logf("flat out: %d entries in %s: %.0f/s; %.0f µs CPU of the servers an entry; %.0f bytes up and %.0f down an entry; %.0f bytes on disk an entry, "+
		"all servers together; %.1f MiB resident", n, round(all), float64(n)/all.Seconds(), us(after.since(before))/float64(n),
		float64(r.relay.up.Load()-up)/watched/eachFlat, float64(r.relay.down.Load()-down)/watched/eachFlat,
		float64(after.disk-before.disk)/float64(n), mib(after.resident))
	r.ReportMetric(float64(n)/all.Seconds(), "entries/s")
	r.ReportMetric(float64(after.disk-before.disk)/float64(n), "disk-B/entry")
}

// storm takes every server away while the labs work, and gives all back.
func (r *bench) storm(away time.Duration) {
	for i := range r.servers {
		r.cluster.Stop(r.B, i)
	}
	rate := float64(len(r.members)) * balances * perDay / dayOfWork.Seconds()
	r.fleet.work(r.B, r.random, rate, away)
	r.weigh(r.B, 1) // so that each has something to come back for
	opened, begun := r.relay.opened.Load(), time.Now()
	for i := range r.servers {
		r.cluster.Run(r.B, i)
	}
	up := time.Since(begun)
	took := r.caughtUp(r.B, 10*time.Minute)
	n, most := len(took), 0
	for from, to := 0, 0; to < n; to++ {
		for took[to]-took[from] >= time.Second {
			from++
		}
		most = max(most, to-from+1)
	}
	r.Logf("storm: all servers stopped for %s, up again within %s; then caught up: the first after %s, a tenth %s, half %s, nine tenths %s, all %s; "+
		"at most %d gateways in one second; CPU of the servers until then %s; connections of the %d watched: %d",
		away, round(up), round(took[0]), round(took[n/10]), round(took[n/2]), round(took[n*9/10]), round(took[n-1]), most, round(r.look().cpu),
		watched, r.relay.opened.Load()-opened)
	r.ReportMetric(took[n-1].Seconds(), "s-until-all-are-back")
}

// count ends the fleet and asks the far end.
func (r *bench) count() {
	r.stop()
	sites, all := readStream(r.B, r.cluster.URLs()[0], "WEIGHPOST")
	entries, again, checkpoints := hold(r.B, r.members, sites)
	var bytes int
	for _, m := range r.members {
		for _, e := range m.entries {
			bytes += len(e.JSON)
		}
	}
	r.Logf("far end: %d messages: %d entries of %d gateways (%.0f bytes each), %d twice, %d checkpoints; every tree is as signed; "+
		"%.0f bytes on disk an entry over the whole run, checkpoints included", all, entries, len(r.members), float64(bytes)/float64(entries), again, checkpoints,
		float64(r.look().disk)/float64(entries))
}

func (f *fleet) checkpoints() (n int) {
	for _, m := range f.members {
		m.mu.Lock()
		n += m.told
		m.mu.Unlock()
	}
	return n
}

// headOf is how many entries the first gateways have.
func (f *fleet) headOf(first int) (n uint64) {
	for _, m := range f.members[:first] {
		n += m.Head()
	}
	return n
}

func round(d time.Duration) time.Duration { return d.Round(10 * time.Millisecond) }
func ms(d time.Duration) float64          { return float64(d) / float64(time.Millisecond) }
func us(d time.Duration) float64          { return float64(d) / float64(time.Microsecond) }
func mib(n int64) float64                 { return float64(n) / (1 << 20) }
