package clock

import (
	"context"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// pages is a journal in memory.
type pages struct {
	mu   sync.Mutex
	list []*record.ClockChange
	fail error
}

func (p *pages) Append(_ context.Context, bodies ...record.Body) ([]record.Entry, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.fail != nil {
		return nil, p.fail
	}
	for _, b := range bodies {
		p.list = append(p.list, b.(*record.ClockChange))
	}
	return make([]record.Entry, len(bodies)), nil
}

func (p *pages) all() []*record.ClockChange {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.list)
}

// running is a clock that runs inside a test.
type running struct {
	*Clock
	pages *pages
	board *health.Board
}

// run starts a clock on the computer's own clocks and ends it with the test.
func run(t *testing.T, cfg Config) *running {
	t.Helper()
	r := &running{pages: &pages{}, board: health.New(time.Now)}
	c, err := New(cfg, Deps{Recorder: r.pages, Health: r.board, Zone: time.UTC})
	if err != nil {
		t.Fatal(err)
	}
	r.Clock = c
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	ended := make(chan error)
	go func() { ended <- c.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	return r
}

// wait waits until what the clock knows of itself is so.
func (r *running) wait(t *testing.T, so func(Facts) bool) Facts {
	t.Helper()
	for limit := time.Now().Add(20 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		f := r.Facts()
		if so(f) {
			return f
		}
		if time.Now().After(limit) {
			t.Fatalf("not reached: %+v", f)
		}
	}
}

func (r *running) condition(code, subject string) *health.Condition {
	for _, c := range r.board.List() {
		if c.Code == code && c.Subject == subject {
			return &c
		}
	}
	return nil
}

// holds says whether the stamp of now holds the computer's own time, which is the truth on loopback.
func (r *running) holds(t *testing.T) record.Stamp {
	t.Helper()
	now := time.Now()
	s := r.stamp(now, now.Round(0)) // a synctest bubble has no monotonic clock, without which Stamp says unchecked
	if s.Bound == nil {
		t.Fatalf("no bound: %+v", s)
	}
	if off := s.UTC.Time().Sub(now).Abs(); off > time.Duration(*s.Bound) {
		t.Errorf("the stamp is %s off, and claims %s", off, time.Duration(*s.Bound))
	}
	return s
}

func TestThreeHonestServers(t *testing.T) {
	r := run(t, Config{Servers: []string{serve(t, 0, honest).address, serve(t, 0, honest).address, serve(t, 0, honest).address}})
	if s := r.Stamp(time.Now()); s.Clock != record.ClockUnchecked || s.Bound != nil {
		t.Errorf("before the first answer: %+v", s)
	}
	f := r.wait(t, func(f Facts) bool { return f.State == record.ClockChecked && f.Sources == 3 })
	s := r.holds(t)
	if f.Sources != 3 || s.Sources != 3 || s.Clock != record.ClockChecked || time.Duration(*s.Bound) > 200*time.Millisecond {
		t.Errorf("%+v\n%+v", f, s)
	}
	if f.LastStep == nil || len(f.Servers) != 3 || f.Servers[0].Delay == nil || f.Servers[0].LastAnswer == nil {
		t.Errorf("%+v", f)
	}
}

func TestAnswersThatAreNeverUsed(t *testing.T) {
	forged := func(p packet) packet { p[24] ^= 0x80; return p }
	none := func(packet) packet { return nil }
	for _, c := range []struct {
		name    string
		change  func(packet) packet
		verdict string
		why     string
	}{
		{"kiss of death, slower", func(p packet) packet { return p.kiss("RATE") }, Refused, `kiss of death "RATE"`},
		{"kiss of death, never", func(p packet) packet { return p.kiss("DENY") }, Refused, `asked again in 24h`},
		{"unsynchronised", func(p packet) packet { return p.leap(3) }, Refused, "not synchronised"},
		{"stratum 16", func(p packet) packet { return p.stratum(16) }, Refused, "no usable stratum"},
		{"stratum 0 without a code", func(p packet) packet { return p.stratum(0) }, Refused, "not synchronised"},
		{"dispersion of 17 s", func(p packet) packet { return p.dispersion(17) }, Refused, "more than 16 s"},
		{"dispersion of 2 s", func(p packet) packet { return p.dispersion(2) }, Refused, "too much to be of use"},
		{"wrong originate", forged, Refused, "belongs to no question of ours"},
		{"receive after transmit", func(p packet) packet { return p.later(32, 4) }, Refused, "no usable answer"},
		{"longer than the exchange", func(p packet) packet { return p.later(40, 4) }, Refused, "longer than the whole exchange"},
		{"set before two days", func(p packet) packet { return p.later(16, -2*86400) }, Refused, "more than a day"},
		{"a precision of 2^-128 s", func(p packet) packet { p[3] = 0x80; return p }, Refused, "no usable answer"},
		{"a poll interval of 2^-128 s", func(p packet) packet { p[2] = 0x80; return p }, Refused, "no usable answer"},
		{"a precision of 2 s", func(p packet) packet { p[3] = 1; return p }, Refused, "no usable answer"},
		{"cut short", func(p packet) packet { return p[:40] }, Refused, "no usable answer"},
		{"no server's mode", func(p packet) packet { p[0] = 4<<3 | 3; return p }, Refused, "no usable answer"},
		{"silence", none, Silent, "no answer came in time"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			bad := serve(t, time.Hour, c.change)
			r := run(t, Config{
				Servers: []string{serve(t, 0, honest).address, bad.address, serve(t, 0, honest).address},
				Timeout: strict.Duration(300 * time.Millisecond),
			})
			f := r.wait(t, func(f Facts) bool {
				return f.State == record.ClockChecked && f.Servers[1].Verdict == c.verdict && strings.Contains(f.Servers[1].Why, c.why)
			})
			if s := f.Servers[1]; s.Offset != nil || s.LastAnswer != nil {
				t.Errorf("%+v", s)
			}
			if s := r.holds(t); s.Sources != 2 {
				t.Errorf("%+v", s)
			}
		})
	}
}

// TestNoiseIsNeverUsedUnlessItIsPossible has a server send 2,000 answers of random bytes: whatever passes is a time that an
// honest server could have sent.
func TestNoiseIsNeverUsedUnlessItIsPossible(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	random := rand.New(rand.NewPCG(seed, 0))
	s := serve(t, 0, func(p packet) packet {
		for range 1 + random.IntN(30) {
			if i := random.IntN(len(p)); i < 24 || i >= 32 { // the origin stays, else the answer is none of ours
				p[i] = byte(random.Uint32())
			}
		}
		return p[:48-random.IntN(50)/48]
	})
	ticks := computer()
	ask, used := network(ticks.raw), 0
	for range 2_000 {
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		r, _, err := ask(ctx, s.address)
		cancel()
		if err != nil {
			if verdict, why := fault(err); verdict != Refused {
				t.Fatalf("seed %d: %s (%v)", seed, why, err)
			}
			continue
		}
		a := answer{}
		if a.judge(r, 100, ticks.precision, maxDistance); a.verdict != "" {
			continue
		}
		used++
		if d := a.sample.distance(a.sample.at, 100); d < minDelay/2 || d > maxDistance || a.sample.delay <= 0 || a.sample.dispersion < 0 {
			t.Fatalf("seed %d: %+v is taken for a measurement", seed, a.sample)
		}
	}
	t.Logf("seed %d: %d of 2,000 were possible", seed, used)
	if used == 2_000 || used == 0 {
		t.Error("the noise was too weak or too strong for this to show anything")
	}
}

// TestALiarAloneNeverWins has everybody but the liar silent.
func TestALiarAloneNeverWins(t *testing.T) {
	liar, mute := serve(t, time.Hour, honest), func(packet) packet { return nil }
	r := run(t, Config{
		Servers: []string{serve(t, 0, mute).address, liar.address, serve(t, 0, mute).address}, Timeout: strict.Duration(100 * time.Millisecond),
	})
	r.wait(t, func(Facts) bool { return liar.asked.Load() >= 2 })
	f := r.wait(t, func(f Facts) bool {
		return f.Servers[1].Verdict == Undecided && f.Servers[0].Why == "no answer came in time"
	})
	if f.State != record.ClockUnchecked || f.Bound != nil || r.condition("clock-unchecked", "clock") == nil {
		t.Errorf("%+v %v", f, r.board.List())
	}
}

func TestTwoThatDisagreeAreNotBelieved(t *testing.T) {
	a, b := serve(t, 0, honest), serve(t, 3*time.Second, honest)
	r := run(t, Config{Servers: []string{a.address, b.address}})
	f := r.wait(t, func(f Facts) bool { return f.Servers[1].Verdict == Undecided })
	if f.State != record.ClockUnchecked || f.Servers[0].Verdict != Undecided || r.condition("clock-few-servers", "clock") == nil {
		t.Errorf("%+v", f)
	}
}

func TestAFalsetickerIsNamed(t *testing.T) {
	liar := serve(t, -3*time.Second, honest)
	r := run(t, Config{Servers: []string{serve(t, 0, honest).address, liar.address, serve(t, 0, honest).address}})
	f := r.wait(t, func(f Facts) bool { return f.State == record.ClockChecked && f.Servers[1].Verdict == Falseticker })
	s := f.Servers[1]
	if s.Verdict != Falseticker || !strings.Contains(s.Why, "2 servers agree on a time that is +3.0") && !strings.Contains(s.Why, "is +2.9") {
		t.Errorf("%+v", s)
	}
	if off := s.Offset.D() + 3*time.Second; off.Abs() > 200*time.Millisecond {
		t.Errorf("its offset is %s", s.Offset.D())
	}
	c := r.condition("clock-falseticker", liar.address)
	if c == nil || c.Severity != health.Warning || !strings.Contains(c.Sentence, liar.address) || c.Remedy == "" {
		t.Errorf("%+v", r.board.List())
	}
	r.holds(t)
	change := r.pages.all()[0]
	if change.From != record.ClockUnchecked || change.State != record.ClockChecked || len(change.Servers) != 3 {
		t.Errorf("%+v", change)
	}
}
