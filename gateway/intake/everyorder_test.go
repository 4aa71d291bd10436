package intake

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
)

// permutations calls f with every order of 0 to n-1.
func permutations(n int, f func([]int)) {
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	var next func(k int)
	next = func(k int) {
		if k == n {
			f(order)
			return
		}
		for i := k; i < n; i++ {
			order[k], order[i] = order[i], order[k]
			next(k + 1)
			order[k], order[i] = order[i], order[k]
		}
	}
	next(0)
}

// oracle says what weighings carry where everything comes one after the other. It is written from what the manual promises, and knows
// nothing of how the intake works.
type oracle struct {
	person, sample string
	announced      bool
	weighings      []string
}

func (o *oracle) print() {
	o.weighings = append(o.weighings, o.person+"/"+o.sample)
	o.sample = "" // one use
}

// TestEveryOrder: a scan, a print, a sign-out, an expiry, a call of the API, a change of person by badge and the announcement of the
// sample, in all their 5,040 orders, a second apart. No sample is spent twice, none is borrowed, none goes to a weighing that was printed
// before it.
func TestEveryOrder(t *testing.T) {
	runs := 0
	permutations(7, func(order []int) {
		if runs++; os.Getenv("WEIGHPOST_LONG") != "1" && runs%5 != 0 { // 1,008 of them, unless there is time
			return
		}
		o, got := inThisOrder(t, order)
		if strings.Join(got, " ") != strings.Join(o.weighings, " ") {
			t.Errorf("%v: %v, want %v", order, got, o.weighings)
		}
	})
	t.Logf("%d orders", runs)
}

func inThisOrder(t *testing.T, order []int) (o *oracle, got []string) {
	o = &oracle{person: "P-1"}
	var bodies []record.Body
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, func(c *Config) { withBadges(c); c.Samples = &SamplesConfig{Unknown: refuses} }, nil)
		known := newShelf(record.Sample{ID: "API-1"})
		b.samples, b.people = known, newStaff(20*time.Millisecond)
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			scan := scans(b)
			scan("P-1\r")
			events := []func(){
				func() {
					if o.sample = ""; o.announced {
						o.sample = "LOT-1"
					}
					scan("LOT-1\r")
				},
				func() { o.print(); prints(h, "W 1.000 g S") },
				func() {
					o.person, o.sample = "", ""
					_, _ = b.SetContext(t.Context(), record.ContextRequest{SignOut: true, By: record.BySent, At: time.Now()})
				},
				func() { o.person, o.sample = "", ""; time.Sleep(31 * time.Minute) },
				func() { o.sample = "API-1"; _ = sends(t, b, "API-1", nil) },
				func() {
					if o.person != "" { // another: what was put on for the one before is not theirs
						o.sample = ""
					}
					o.person = "p-07"
					scan("B:1\r")
				},
				func() {
					o.announced = true
					known.mu.Lock()
					known.known["LOT-1"] = record.KnownSample{Sample: record.Sample{ID: "LOT-1"}}
					known.mu.Unlock()
				},
			}
			for _, i := range order {
				events[i]()
				time.Sleep(time.Second)
			}
			for range 2 {
				o.print()
				prints(h, "W 9.000 g S")
			}
		}); err != nil {
			t.Error(err)
		}
		bodies = b.journal.bodies()
	})
	for _, w := range weighings(bodies) {
		got = append(got, personOf(w)+"/"+sampleOf(w))
	}
	return o, got
}

// put is one thing that was set, with when it surely had not come yet and when it surely had.
type put struct {
	id            string
	after, before time.Time
}

// TestAnyOrderAtOnce: the same within some milliseconds of each other, so that some orders are known and some are not. Whoever stands
// outside knows between which two times each came.
func TestAnyOrderAtOnce(t *testing.T) {
	seed, rounds := rand.Uint64(), 300
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		rounds = 5000
	}
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 3))
	carried := 0
	for round := range rounds {
		var puts, prints []put
		var persons []put
		var bodies []record.Body
		synctest.Test(t, func(t *testing.T) {
			b := newBench(t, anchored, withBadges, nil)
			b.samples, b.people = newShelf(), newStaff(time.Duration(random.Int64N(int64(400*time.Millisecond))))
			if err := during(t, b, func(h port.Handler) {
				quietly(h)
				scans(b)("P-1\r")
				persons = append(persons, put{"P-1", time.Now(), time.Now()})
				time.Sleep(time.Second)
				for i := range 12 {
					after := time.Now()
					time.Sleep(time.Duration(random.Int64N(int64(3 * time.Millisecond))))
					before := time.Now()
					arrived := port.Arrival{At: before, Emptied: after}
					switch random.IntN(6) {
					case 0, 1:
						id := fmt.Sprintf("LOT-%d-%d", round, i)
						puts = append(puts, put{id, after, before})
						b.scan.Bytes([]byte(id+"\r"), arrived)
					case 2:
						prints = append(prints, put{fmt.Sprintf("%d.000", i), after, before})
						h.Bytes([]byte(fmt.Sprintf("W %d.000 g S\n", i)), arrived)
					case 3:
						id := fmt.Sprintf("API-%d-%d", round, i)
						puts = append(puts, put{id, before, before})
						_ = sends(t, b, id, nil)
					case 4:
						code := 1 + random.IntN(2)
						persons = append(persons, put{fmt.Sprintf("p-0%d", 6+code), after, before})
						b.scan.Bytes([]byte(fmt.Sprintf("B:%d\r", code)), arrived)
					case 5:
						persons = append(persons, put{"", after, before})
						b.scan.Bytes([]byte("END\r"), arrived)
					}
					time.Sleep(time.Duration(random.Int64N(int64(2 * time.Millisecond))))
				}
				time.Sleep(2 * time.Second)
			}); err != nil {
				t.Error(err)
			}
			bodies = b.journal.bodies()
		})
		carried += judgeAtOnce(t, bodies, puts, persons, prints)
	}
	if carried == 0 {
		t.Error("no weighing carried anything: this tests nothing")
	}
}

// toldOf shows what was put, with its times.
func toldOf(list []put) (text string) {
	for _, p := range list {
		text += fmt.Sprintf("%q %s-%s ", p.id, p.after.Format("05.000000"), p.before.Format("05.000000"))
	}
	return text
}

func judgeAtOnce(t *testing.T, bodies []record.Body, puts, persons, prints []put) (carried int) {
	t.Helper()
	on := map[string]string{}
	find := func(list []put, id string) (p put) {
		for _, one := range list {
			if one.id == id {
				p = one
			}
		}
		return p
	}
	for _, w := range weighings(bodies) {
		print := find(prints, w.Value.Digits)
		if id := sampleOf(w); id != "" {
			carried++
			if before, twice := on[id]; twice {
				t.Errorf("%s is on %s and on %s", id, before, w.Value.Digits)
			}
			on[id] = w.Value.Digits
			if p := find(puts, id); !p.after.Before(print.before) && p.after != print.before {
				t.Errorf("%s came after the print %s that carries it", id, w.Value.Digits)
			}
		}
		who := personOf(w)
		if who == "" {
			continue
		}
		carried++
		fits := false // somebody came before the print, and nobody else surely between the two
		for i, p := range persons {
			if p.id != who || p.after.After(print.before) {
				continue
			}
			between := false
			for _, q := range persons[i+1:] {
				between = between || q.before.Before(print.after) && q.id != who
			}
			fits = fits || !between
		}
		if !fits {
			t.Errorf("%s is on %s, and was not who weighed then: persons %s, the print %s\n%q", who, w.Value.Digits, toldOf(persons), toldOf([]put{print}), story(bodies))
		}
	}
	return carried
}
