package intake

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
)

// wire is a line that a test speaks on, and that knows like a real one whether anything is on its way.
type wire struct {
	h    port.Handler
	up   chan struct{}
	busy atomic.Int32
}

func newWire() *wire { return &wire{up: make(chan struct{})} }

func (w *wire) Run(ctx context.Context, h port.Handler) error {
	w.h = h
	h.Up(time.Now().Add(-time.Minute))
	close(w.up)
	<-ctx.Done()
	h.Down(time.Now(), ctx.Err())
	return nil
}

func (w *wire) Quiet() (quiet, known bool) { return w.busy.Load() == 0, true }

// say has a text arrive: after the first of the two times that it gives and before the second.
func (w *wire) say(text string) (after, before time.Time) {
	after = time.Now()
	w.busy.Add(1)
	before = time.Now()
	w.h.Bytes([]byte(text), port.Arrival{At: before, Emptied: after})
	w.busy.Add(-1)
	return after, before
}

// round is what one scan and one print did, and what the world outside knows of them.
type round struct {
	scanAfter, scanBefore   time.Time
	printAfter, printBefore time.Time
	refused                 bool // as whoever asked was told
}

// A scan, or a request, and a print in the same millisecond, 10,000 times. Whoever stands outside knows of each when it
// was sent off and when it had arrived. Whatever happens inside, no sample is on two weighings; none is on a print that
// came before it; none that came before the print goes to a later one; and none is lost without a word.
func TestAScanAndAPrintAtTheSameTime(t *testing.T) {
	t.Run("no time on the wire", func(t *testing.T) { race(t, "tcp://ports.example:400", 3000, 60*time.Microsecond, 0) })
	t.Run("at 115200 bits a second", func(t *testing.T) { race(t, "/dev/ttyS", 250, 4*time.Millisecond, 2*time.Millisecond) })
}

// race has scans and prints arrive up to apart from each other. A line takes onWire, and then prints what the print at the
// same time did not carry.
func race(t *testing.T, ports string, rounds int, apart, onWire time.Duration) {
	seed := rand.Uint64()
	if os.Getenv("WEIGHPOST_LONG") != "" {
		rounds *= 10
	}
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	balance, scan := newWire(), newWire()
	b := newBench(t, anchored, func(c *Config) {
		c.Port.Address, c.Port.Speed = ports+"1", 115200
		c.Scanner = &ScannerConfig{Port: port.Config{Address: ports + "2", Speed: 115200}, Rules: []ScanRule{{Prefix: "LOT-", Item: "sample"}}}
	}, nil)
	b.line, b.scan.line = balance, scan
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- b.Run(ctx) }()
	<-balance.up
	<-scan.up
	all := make([]round, rounds)
	for i := range all {
		all[i] = atOnce(t, b, balance, scan, i, time.Duration(random.Int64N(int64(2*apart)))-apart)
		b.mu.Lock()
		b.changes, b.refusals.allowance = allowance{}, allowance{} // the limits are another test's
		b.mu.Unlock()
		time.Sleep(onWire)
		balance.say(fmt.Sprintf("W %d.000 g S\n", 2*i+1))
	}
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	judge(t, all, b.journal.bodies())
}

// atOnce has one scan or request and one print happen at the same time, the one ahead of the other by as much.
func atOnce(t *testing.T, b *bench, balance, scan *wire, i int, ahead time.Duration) (r round) {
	var both sync.WaitGroup
	start := make(chan struct{})
	pause := func(d time.Duration) {
		for end := time.Now().Add(d); time.Now().Before(end); {
		}
	}
	both.Go(func() {
		<-start
		pause(ahead)
		r.printAfter, r.printBefore = balance.say(fmt.Sprintf("W %d.000 g S\n", 2*i))
	})
	both.Go(func() {
		<-start
		pause(-ahead)
		if i%2 == 0 {
			r.scanAfter, r.scanBefore = scan.say(fmt.Sprintf("LOT-%d\r", i))
			return
		}
		at := time.Now()
		r.scanAfter, r.scanBefore = at, at
		_, err := b.SetContext(t.Context(), record.ContextRequest{Sample: &record.ContextItem{ID: fmt.Sprintf("LOT-%d", i)}, By: record.BySent, At: at})
		var refused *record.ContextRefused
		if r.refused = errors.As(err, &refused); err != nil && !r.refused {
			t.Error(err)
		}
	})
	close(start)
	both.Wait()
	return r
}

// judge knows nothing of how the intake decides.
func judge(t *testing.T, all []round, bodies []record.Body) {
	t.Helper()
	on := map[string][]int{}      // sample → the prints that carry it
	refused := map[string]bool{}  // samples of which an entry says that they were refused or withdrawn
	doubtful := map[string]bool{} // weights whose weighing says that its sample is not known
	for _, body := range bodies {
		switch e := body.(type) {
		case *record.Weighing:
			n := 0
			if _, err := fmt.Sscanf(e.Value.Digits, "%d.000", &n); err != nil {
				t.Fatal(err)
			}
			if s := sampleOf(e); s != "" {
				on[s] = append(on[s], n)
			}
			for _, v := range e.Verdicts {
				doubtful[e.Value.Digits] = doubtful[e.Value.Digits] || v.Rule == ruleOrder
			}
		case *record.ContextChange:
			if e.Cause == "refused" && len(e.Raw) > 0 {
				refused[strings.TrimSpace(string(e.Raw))] = true
			} else if e.Cause == "refused" && e.Before.Sample != nil {
				refused[e.Before.Sample.ID] = true
			}
		}
	}
	tally := map[string]int{}
	for i, r := range all {
		id := fmt.Sprintf("LOT-%d", i)
		where := on[id]
		first, then := r.scanBefore.Before(r.printAfter), r.printBefore.Before(r.scanAfter)
		switch {
		case len(where) > 1:
			t.Errorf("%s is on the prints %v", id, where)
		case len(where) == 0 && !refused[id] && !r.refused:
			t.Errorf("%s is lost: on no print, and no entry says why", id)
		case len(where) == 0:
			tally["refused"]++
			if first {
				tally["refused, though it had come before"]++
			}
		case where[0] == 2*i:
			tally["before"]++
			if then {
				t.Errorf("%s came %s after the print that carries it", id, r.scanAfter.Sub(r.printBefore))
			}
		case where[0] == 2*i+1:
			tally["after"]++
			if first {
				t.Errorf("%s came %s before a print that does not carry it, and is on the next", id, r.printAfter.Sub(r.scanBefore))
			}
		default:
			t.Errorf("%s is on the print %d of another round", id, where[0])
		}
	}
	t.Logf("%d rounds: %v, %d weighings in doubt", len(all), tally, len(doubtful))
	if tally["before"] == 0 || tally["after"] == 0 || tally["refused"] == 0 {
		t.Error("the race had only one outcome: it tests nothing")
	}
}
