package clock

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/beevik/ntp"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
)

// world is a computer in a simulated world that knows the true time.
type world struct {
	truth  time.Time
	wall   time.Time     // what the computer's clock shows
	raw    time.Duration // its raw clock
	mono   time.Duration // the Go runtime's monotonic clock
	asleep time.Duration
	drift  float64 // ppm that the raw clock runs fast
	slew   float64 // ppm that a time daemon runs the system's clock faster than the raw one
	start  time.Time
	clock  *Clock
	pages  *pages
	board  *health.Board
}

// newWorld sets a computer up whose clock shows wall when it is truly truth.
func newWorld(t testing.TB, truth, wall time.Time, cfg Config) *world {
	t.Helper()
	w := &world{truth: truth, wall: wall, raw: 3 * time.Hour, start: time.Now(), pages: &pages{}, board: health.New(time.Now)}
	ticks := ticker{read: w.read, raw: func() time.Duration { return w.raw }, name: "simulated", slewed: true, precision: finePrecision}
	c, err := newClock(cfg, Deps{Recorder: w.pages, Health: w.board, Zone: time.UTC}, ticks, nil)
	if err != nil {
		t.Fatal(err)
	}
	w.clock = c
	return w
}

// guessed makes it a computer outside Linux: its raw clock is the monotonic one, and a sleep looks like a step.
func (w *world) guessed() {
	w.clock.ticker.slewed, w.clock.ticker.guessed = false, true
	w.slew = 0
	wall := w.wall.Add(-w.mono)
	w.clock.ticker.read = func() Reading {
		return Reading{Now: w.now(), Wall: w.wall, Raw: w.raw, Asleep: w.wall.Sub(wall) - w.mono}
	}
}

func (w *world) read() Reading {
	return Reading{Now: w.now(), Wall: w.wall, Raw: w.raw, Asleep: w.asleep, Slack: 3 * time.Microsecond}
}

// now is the Go runtime's clock: only its monotonic part counts.
func (w *world) now() time.Time { return w.start.Add(w.mono) }

// pass lets true time pass.
func (w *world) pass(d time.Duration) {
	fast := func(d time.Duration, ppm float64) time.Duration { return d + time.Duration(float64(d)*ppm/1e6) }
	raw := fast(d, w.drift)
	mono := fast(raw, w.slew)
	w.truth, w.raw, w.mono, w.wall = w.truth.Add(d), w.raw+raw, w.mono+mono, w.wall.Add(mono)
}

// sleep suspends the computer. Its battery clock is wrong by so much over the time.
func (w *world) sleep(d, wrong time.Duration) {
	w.truth, w.asleep, w.wall = w.truth.Add(d), w.asleep+d+wrong, w.wall.Add(d+wrong)
}

// moment is an instant that is stamped later.
type moment struct{ truth, now, wall time.Time }

func (w *world) moment() moment { return moment{w.truth, w.now(), w.wall} }

// outside says by how much a stamp of a moment is outside its bound, or "".
func outside(s record.Stamp, m moment) string {
	if s.Bound == nil {
		if s.Clock != record.ClockUnchecked {
			return fmt.Sprintf("%s without a bound", s.Clock)
		}
		return ""
	}
	if off := s.UTC.Time().Sub(m.truth); off.Abs() > time.Duration(*s.Bound) {
		return fmt.Sprintf("%s by %s, and claims %s", s.Clock, off, time.Duration(*s.Bound))
	}
	return ""
}

// stamp stamps this moment, and fails the test if the stamp is wrong.
func (w *world) stamp(t *testing.T) record.Stamp {
	t.Helper()
	m := w.moment()
	s := w.clock.stamp(m.now, m.wall)
	if why := outside(s, m); why != "" {
		t.Errorf("a stamp is %s", why)
	}
	return s
}

// path is how one exchange goes: the way there, the server's pause, the way back.
type path struct{ there, pause, back time.Duration }

// source is a simulated time server.
type source struct {
	name       string
	wrong      time.Duration // of its clock from the truth
	root       time.Duration // root delay that it claims
	dispersion time.Duration // root dispersion that it claims
	leap       ntp.LeapIndicator
	silent     bool
}

// ask has a source answer, while time passes on the path.
func (w *world) ask(s source, p path) answer {
	a := answer{server: s.name}
	if s.silent {
		w.pass(p.there)
		a.verdict, a.why = Silent, "no answer came in time"
		return a
	}
	t1 := time.Unix(0, int64(w.raw))
	w.pass(p.there)
	t2 := w.truth.Add(s.wrong)
	w.pass(p.pause)
	t3 := w.truth.Add(s.wrong)
	w.pass(p.back)
	r := &ntp.Response{
		Timestamps: ntp.ProtocolTimestamps{ClientXmit: t1, ServerRecv: t2, ServerXmit: t3, ClientRecv: time.Unix(0, int64(w.raw))},
		Precision:  time.Microsecond, Version: 4, Stratum: 2, RootDelay: s.root, RootDispersion: s.dispersion, Leap: s.leap,
		ReferenceTime: t3.Add(-time.Minute), Time: t3,
	}
	a.judge(r, w.clock.ppm(w.clock.cfg), w.clock.ticker.precision, maxDistance)
	a.sample.asleep = w.clock.ticker.read().Asleep
	return a
}

// round asks sources one after the other and has the clock judge.
func (w *world) round(p path, list ...source) {
	var answers []answer
	for _, s := range list {
		answers = append(answers, w.ask(s, p))
	}
	w.clock.judge(w.clock.ticker.read(), answers)
}

// look is a tick of the clock's owner.
func (w *world) look() { w.clock.look(w.clock.ticker.read()) }

// entries are what the journal would have.
func (w *world) entries() []*record.ClockChange {
	w.clock.book.mu.Lock()
	defer w.clock.book.mu.Unlock()
	return only[*record.ClockChange](w.clock.book.waiting)
}

func (w *world) has(code string) *health.Condition {
	for _, c := range w.board.List() {
		if c.Code == code {
			return &c
		}
	}
	return nil
}

var near = path{5 * time.Millisecond, 20 * time.Microsecond, 5 * time.Millisecond}

func three(wrong time.Duration) []source {
	return []source{{name: "a.example", wrong: wrong}, {name: "b.example", wrong: wrong}, {name: "c.example", wrong: wrong}}
}

var threeServers = Config{Servers: []string{"a.example", "b.example", "c.example"}}

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// drawn draws a length of time.
func drawn(r *rand.Rand, least, most time.Duration) time.Duration {
	return least + time.Duration(r.Int64N(int64(most-least)+1))
}

// only gives the bodies of one kind.
func only[T record.Body](bodies []record.Body) (list []T) {
	for _, b := range bodies {
		if one, ok := b.(T); ok {
			list = append(list, one)
		}
	}
	return list
}
