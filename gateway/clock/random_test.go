package clock

import (
	"fmt"
	"math/rand/v2"
	"os"
	"testing"
	"time"
)

// randomRuns is how many worlds are drawn: all of them, but for the race detector, which makes each ten times as slow and
// finds nothing in one goroutine. WEIGHPOST_LONG=1 draws all of them there too.
func randomRuns() int {
	if raceDetector && os.Getenv("WEIGHPOST_LONG") != "1" {
		return 1_000
	}
	return 10_000
}

// TestTheTruthIsWithinTheBound draws worlds: the drift anywhere within the declared one, and changing; networks as lopsided as
// they like; servers of which a minority lies as it pleases, alone or together, far off or so near that their lies overlap
// with the truth; silence; a time daemon that slews and steps the computer's clock; sleeps. The simulation knows the true
// time, and every stamp with a bound must hold it.
func TestTheTruthIsWithinTheBound(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	total := tally{}
	runs := randomRuns()
	for n := range uint64(runs) {
		random := rand.New(rand.NewPCG(seed, n))
		if why := randomRun(t, random, 1, &total); why != "" {
			t.Fatalf("seed %d, run %d: a stamp is %s", seed, n, why)
		}
	}
	t.Logf("%d runs: %d stamps with a bound, %d of them checked, %d agreements; largest bound of a checked one %s",
		runs, total.bounded, total.checked, total.agreements, total.widest)
	if total.bounded < 10*runs || total.checked < 5*runs || total.agreements < 3*runs {
		t.Error("too few stamps had a bound for this to show anything")
	}
}

// TestTheTestAboveCanFail has clocks drift three times as fast as declared.
func TestTheTestAboveCanFail(t *testing.T) {
	wrong, total := 0, tally{}
	for n := range uint64(300) {
		if randomRun(t, rand.New(rand.NewPCG(1, n)), 3, &total) != "" {
			wrong++
		}
	}
	t.Logf("%d of 300 runs had a stamp outside its bound", wrong)
	if wrong == 0 {
		t.Error("no stamp was found outside its bound although the clocks drift three times as fast as declared")
	}
}

type tally struct {
	bounded, checked, agreements int
	widest                       time.Duration
}

// randomRun is the life of one world. drift is by how many times it exceeds the declared one. It says what was wrong, or "".
func randomRun(t *testing.T, r *rand.Rand, drift float64, total *tally) string {
	n := 1 + r.IntN(7)
	cfg := Config{DriftPPM: 1 + r.IntN(300)}
	for i := range n {
		cfg.Servers = append(cfg.Servers, fmt.Sprintf("s%d.example", i))
	}
	truth := noon.Add(drawn(r, -1000*time.Hour, 1000*time.Hour))
	w := newWorld(t, truth, truth.Add(drawn(r, -48*time.Hour, 48*time.Hour)), cfg)
	turn := func() {
		w.drift = drift * float64(cfg.DriftPPM) * (2*r.Float64() - 1)
		w.slew = 1000 * (2*r.Float64() - 1)
	}
	turn()
	lying := r.IntN(liars(n) + 1)
	lie := lies(r)
	for range 5 + r.IntN(25) {
		before := w.moment()
		switch r.IntN(10) {
		case 0:
			turn()
		case 1:
			d := drawn(r, 10*time.Millisecond, 30*time.Hour)
			w.sleep(d, drawn(r, -time.Second, time.Second)+time.Duration(float64(d)*(2*r.Float64()-1)*sleepPPM/1e6))
		case 2:
			w.wall = w.wall.Add(drawn(r, -time.Hour, time.Hour))
		case 3:
			lie = lies(r)
		default:
			w.randomRound(r, cfg, lying, lie)
			if w.clock.failed == 0 {
				total.agreements++
			}
		}
		if why := w.check(r, before, total); why != "" {
			return why
		}
	}
	if drift <= 1 && !w.clock.corrected.IsZero() {
		return "corrected: " + w.clock.said
	}
	return ""
}

// check stamps moments of before and now, at once and after a while.
func (w *world) check(r *rand.Rand, before moment, total *tally) string {
	for range 3 {
		m := w.moment()
		w.pass(drawn(r, 0, 20*time.Millisecond))
		for _, m := range []moment{before, m, w.moment()} {
			if w.now().Sub(m.now) > time.Minute {
				continue
			}
			s := w.clock.stamp(m.now, m.wall)
			if why := outside(s, m); why != "" {
				return why
			}
			if s.Bound != nil {
				total.bounded++
				if s.Clock == "checked" {
					total.checked++
					total.widest = max(total.widest, time.Duration(*s.Bound))
				}
			}
		}
		if r.IntN(2) == 0 {
			w.look()
		}
		w.pass(drawn(r, 0, 10*time.Minute))
	}
	w.look()
	return ""
}

// lies draws by how much the liars are wrong: all by the same, or each by its own, in seconds, milliseconds or days.
func lies(r *rand.Rand) []time.Duration {
	scale := []time.Duration{20 * time.Millisecond, 200 * time.Millisecond, 5 * time.Second, 100 * time.Hour}[r.IntN(4)]
	together, same := r.IntN(2) == 0, drawn(r, -scale, scale)
	list := make([]time.Duration, 16)
	for i := range list {
		if list[i] = drawn(r, -scale, scale); together {
			list[i] = same
		}
	}
	return list
}

// randomRound asks every server; the first ones lie.
func (w *world) randomRound(r *rand.Rand, cfg Config, lying int, lie []time.Duration) {
	slowest := []time.Duration{time.Millisecond, 30 * time.Millisecond, 400 * time.Millisecond}[r.IntN(3)]
	mute := r.Float64() / 2
	var answers []answer
	for i, name := range cfg.Servers {
		s := source{name: name, root: drawn(r, 0, slowest), dispersion: drawn(r, 0, slowest/4), silent: r.Float64() < mute}
		s.wrong = drawn(r, -s.dispersion-s.root/2, s.dispersion+s.root/2) // as wrong as it says that it may be
		if i < lying {
			s.wrong, s.silent = lie[i], false
		}
		answers = append(answers, w.ask(s, path{drawn(r, 0, slowest), drawn(r, 0, time.Millisecond), drawn(r, 0, slowest)}))
	}
	w.clock.judge(w.read(), answers)
}

// TestAMinorityOfLiarsCannotMoveTheBound draws intervals alone, with liars that know the others' intervals, and shows that the
// agreed interval by itself would not do.
func TestAMinorityOfLiarsCannotMoveTheBound(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	r := rand.New(rand.NewPCG(seed, 0))
	agreed, outside := 0, 0
	for range 200_000 {
		n := 1 + r.IntN(9)
		var all []interval
		for range n - r.IntN(liars(n)+1) { // the true ones that answer hold 0
			all = append(all, interval{-r.Int64N(1000), r.Int64N(1000)})
		}
		truthful := len(all)
		silent := r.IntN(liars(n) + 1)
		all = all[:max(truthful-silent, 0)]
		for range n - truthful {
			i := interval{r.Int64N(2000) - 1000, 0}
			i.high = i.low + r.Int64N(500)
			if len(all) > 0 && r.IntN(2) == 0 { // at an edge of a true one
				i.low = all[r.IntN(len(all))].high - r.Int64N(10)
				i.high = i.low + r.Int64N(500)
			}
			all = append(all, i)
		}
		most, ok := agree(n, all)
		if !ok {
			continue
		}
		agreed++
		if most.mid > int64(most.half) || -most.mid > int64(most.half) {
			t.Fatalf("seed %d: of %d servers %v: %+v does not hold 0", seed, n, all, most)
		}
		if most.most.low > 0 || most.most.high < 0 {
			outside++
		}
	}
	t.Logf("seed %d: %d agreements; in %d of them the agreed interval itself misses the truth", seed, agreed, outside)
	if agreed < 10_000 || outside == 0 {
		t.Error("the liars were too weak for this to show anything")
	}
}
