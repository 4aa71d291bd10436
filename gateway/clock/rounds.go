package clock

import (
	"context"
	"slices"
	"sync"
	"time"
)

// A burst opens each life of an anchor: several rounds in quick succession, of which the narrowest counts.
const (
	burstRounds = 4
	burstPause  = 2 * time.Second
)

// After a kiss of death a server is left alone: RATE asks for slower polling (each time slower again), DENY and RSTR for none
// at all (RFC 5905 section 7.4). Other codes are taken as RATE.
const (
	kissFirst = 10 * time.Minute
	kissLast  = 36 * time.Hour
	kissDeny  = 24 * time.Hour
)

// server is one time server and what it last said.
type server struct {
	address  string
	verdict  string
	why      string
	sample   *sample   // the last usable answer; nil where there is none, or it counts no more
	answered time.Time // when that came, on the Go runtime's clock
	offset   *time.Duration
	distance time.Duration
	asked    bool
	missed   int // rounds without a usable answer, in a row
	kisses   int // in a row
	leave    time.Time
}

func newServers(cfg Config, old []*server) []*server {
	list := make([]*server, 0, len(cfg.Servers))
	for _, a := range cfg.Servers {
		if i := slices.IndexFunc(old, func(s *server) bool { return s.address == a }); i >= 0 {
			list = append(list, old[i])
			continue
		}
		list = append(list, &server{address: a, verdict: Silent, why: "it has not been asked yet"})
	}
	return list
}

// forget has the server's last answer count no more, since the raw clock stood still after it.
func (s *server) forget() {
	s.sample, s.offset, s.distance = nil, nil, 0
	s.verdict, s.why = Refused, "the computer slept after its answer came"
}

// schedule is when the servers are asked next.
type schedule struct {
	next     time.Time // on the Go runtime's clock
	interval time.Duration
	burst    int // rounds of the burst that are still to come
}

// hurry begins a burst at once.
func (s *schedule) hurry(now time.Time) { s.next, s.burst, s.interval = now, burstRounds, 0 }

// after sets the next round after one that ended in agreement or not. The pause doubles while the servers agree, but not so
// far that the bound would come near the ceiling before the next answer.
func (s *schedule) after(now time.Time, agreed bool, cfg Config, longest time.Duration) {
	least, most := cfg.PollMin.D(), cfg.PollMax.D()
	switch {
	case s.burst > 1:
		s.burst--
		s.next = now.Add(burstPause)
		return
	case !agreed || s.interval == 0:
		s.interval = least
	default:
		s.interval = 2 * s.interval
	}
	s.burst = 0
	s.interval = max(least, min(s.interval, most, longest))
	s.next = now.Add(s.interval)
}

// due lists the servers that are to be asked now.
func (c *Clock) due(now time.Time) []string {
	var list []string
	for _, s := range c.servers {
		if !now.Before(s.leave) {
			list = append(list, s.address)
		}
	}
	return list
}

// askAll asks servers at the same time and gives their answers in the order of the list.
func (c *Clock) askAll(ctx context.Context, servers []string, cfg Config) []answer {
	answers := make([]answer, len(servers))
	var wg sync.WaitGroup
	for i, s := range servers {
		wg.Go(func() { answers[i] = c.question(ctx, s, cfg) })
	}
	wg.Wait()
	return answers
}

// hear takes what one server said.
func (c *Clock) hear(r *Reading, a answer) {
	i := slices.IndexFunc(c.servers, func(s *server) bool { return s.address == a.server })
	if i < 0 {
		return // no longer configured
	}
	s := c.servers[i]
	s.asked = true
	if a.verdict == "" {
		s.sample, s.answered, s.missed, s.kisses = &a.sample, r.Now, 0, 0
		s.verdict, s.why = Undecided, ""
		return
	}
	s.verdict, s.why, s.sample = a.verdict, a.why, nil
	s.offset, s.distance = nil, 0
	s.missed++
	if a.kiss == "" {
		s.kisses = 0
		return
	}
	wait := kissDeny
	if a.kiss != "DENY" && a.kiss != "RSTR" {
		wait = min(max(kissFirst, 2*c.schedule.interval)<<min(s.kisses, 8), kissLast)
		s.kisses++
	}
	s.leave = r.Now.Add(wait)
	s.why += "; it is asked again in " + spoken(wait)
	c.log.Warn("a time server sends us away", "server", s.address, "code", a.kiss, "next", wait)
}
