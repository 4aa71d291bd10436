package deliver

import (
	"context"
	"errors"
	"fmt"
	"os"
	"runtime"
	"runtime/metrics"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

func TestStatusSaysWhatWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, l := &fakeSink{}, newLog(sinktest.Weighings(700, 1)...)
		for i := range 200 {
			l.entries[300+i].Kind = record.KindUnread
		}
		s.takes(func(context.Context, []record.Entry) (int, error) { return 0, errors.New("nobody there") })
		r := start(t, l, s)
		synctest.Wait()
		st := r.Status()
		if st.Waiting != 256 || !st.AtLeast || st.Oldest == nil || st.Oldest.Seq != 1 || st.Oldest.ID != l.entries[0].ID ||
			!strings.Contains(st.Remedy, "Mend what the sentence names") || st.BehindSince.IsZero() {
			t.Errorf("status %+v", st)
		}
		if n, exact, err := r.Waiting(t.Context()); n != 500 || !exact || err != nil {
			t.Errorf("counted %d, exact %v, %v", n, exact, err)
		}
		l.follow(sinktest.Weighings(3, 2)...)
		if n, exact, err := r.Waiting(t.Context()); n != 503 || !exact || err != nil {
			t.Errorf("then %d, exact %v, %v", n, exact, err)
		}
		s.takes(nil)
		time.Sleep(time.Minute)
		synctest.Wait()
		if n, exact, _ := r.Waiting(t.Context()); n != 0 || !exact || r.Status().AtLeast || r.Status().Remedy != "" || r.Status().Oldest != nil {
			t.Errorf("at the end %d, exact %v, %+v", n, exact, r.Status())
		}
		r.stop(t)
	})
}

func TestTheRateIsThatOfTheLastMinutes(t *testing.T) {
	var r rate
	zero := time.Date(2026, 11, 29, 10, 0, 0, 0, time.UTC)
	r.since = zero
	for i := range 600 { // one a second for ten minutes
		r.add(1, zero.Add(time.Duration(i)*time.Second))
	}
	for after, want := range map[time.Duration][2]float64{
		599 * time.Second: {59, 61}, 12 * time.Minute: {34, 38}, 14 * time.Minute: {10, 14}, 20 * time.Minute: {0, 0},
	} {
		if got := r.perMinute(zero.Add(after)); got < want[0] || got > want[1] {
			t.Errorf("after %s: %.1f a minute, want %v", after, got, want)
		}
	}
	r = rate{since: zero}
	r.add(20, zero.Add(time.Second))
	if got := r.perMinute(zero.Add(20 * time.Second)); got != 60 {
		t.Errorf("20 entries in 20 s: %.1f a minute", got)
	}
}

// longFrame makes the entries of a longLog as long as weighings are.
var longFrame = `,"frame":"` + strings.Repeat("x", 1000) + `"}`

// longLog is a journal of any length that nobody had to write: it makes up each entry when it is read.
type longLog struct {
	*fakeLog
	head uint64
}

func (l *longLog) Head() uint64 { return l.head }

func (l *longLog) Read(_ context.Context, after uint64, max int) (list []record.Entry, err error) {
	for seq := after + 1; seq <= l.head && len(list) < max; seq++ {
		e := stamped(int(seq), time.Date(2026, 11, 29, 10, 0, 0, int(seq%1e9), time.UTC))
		e.Seq = seq
		e.JSON = append(e.JSON[:len(e.JSON)-1], longFrame...)
		list = append(list, e)
	}
	return list, nil
}

func (l *longLog) Wait(ctx context.Context, after uint64) error {
	if l.head > after {
		return nil
	}
	<-ctx.Done()
	return ctx.Err()
}

func (l *longLog) SetCursor(_ string, seq uint64) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.cursor = seq
	return nil
}

// entriesBehind is how many wait in the tests of memory.
func entriesBehind() uint64 {
	if os.Getenv("WEIGHPOST_LONG") != "" {
		return 10_000_000
	}
	return 1_000_000
}

// goingOut is how many of them go out there.
func goingOut() uint64 {
	if os.Getenv("WEIGHPOST_LONG") != "" {
		return entriesBehind()
	}
	return 200_000
}

// heap is what is in use: what a collection found that cannot be freed.
func heap() uint64 {
	live := []metrics.Sample{{Name: "/gc/heap/live:bytes"}}
	runtime.GC()
	metrics.Read(live)
	return live[0].Value.Uint64()
}

// holds delivers from a journal of some length, and gives the most that was in use at any time above what was before.
func holds(t *testing.T, head uint64, s sinks.Sink, until func(r *Runner) bool, change func(*Config)) (most uint64) {
	t.Helper()
	cfg := testConfig()
	change(&cfg)
	before := heap()
	r := New(&longLog{newLog(), head}, s, cfg, Deps{Board: health.New(time.Now), Destination: "folder /srv/seeds",
		Stamp: func() record.Stamp { return record.Stamp{UTC: record.UTC(time.Now())} }})
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- r.Run(ctx) }()
	for deadline := time.Now().Add(10 * time.Minute); !until(r); {
		if most = max(most, heap()); time.Now().After(deadline) {
			t.Fatalf("it does not come to an end: %+v", r.Status())
		}
		time.Sleep(20 * time.Millisecond)
	}
	most = max(most, heap())
	cancel()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	return most - min(most, before)
}

// TestMillionsBehindCostNoMoreThanTen, while nobody takes them, while they are counted, and while they go out.
func TestMillionsBehindCostNoMoreThanTen(t *testing.T) {
	down := &fakeSink{}
	down.takes(func(context.Context, []record.Entry) (int, error) { return 0, errors.New("nobody there") })
	waits := func(r *Runner) bool {
		_, _, err := r.Waiting(context.Background())
		return r.Status().State == Retrying && err == nil && len(down.seen()) > 2
	}
	fast := func(c *Config) { c.RetryMin, c.RetryMax = 10_000_000, 50_000_000 } // 10 ms, 50 ms
	few := holds(t, 10, down, waits, fast)
	many := holds(t, entriesBehind(), down, waits, fast)
	out := holds(t, goingOut(), &swallow{}, func(r *Runner) bool { return r.Status().Lag == 0 }, fast)
	t.Logf("in use above the start: %d kB with 10 behind, %d kB with %d, %d kB while %d go out", few>>10, many>>10, entriesBehind(), out>>10, goingOut())
	// One batch of 256 entries of 1 kB is held, and what is read beside it to count. What is made while a collection goes on counts as
	// in use as well, which is some megabytes at full speed; 200 000 entries would be 200 MB.
	if limit := few + 16<<20; many > limit || out > limit {
		t.Errorf("%d and %d bytes, against %d with ten", many, out, few)
	}
}

// swallow takes everything and keeps nothing.
type swallow struct{ taken atomic.Int64 }

func (s *swallow) Deliver(_ context.Context, entries []record.Entry) (int, error) {
	s.taken.Add(int64(len(entries)))
	return len(entries), nil
}

func (s *swallow) Close() error { return nil }

func (s *swallow) Collect(_ context.Context, b sinks.Batch) ([]sinks.LeftOut, error) {
	for _, err := range b.Entries {
		if err != nil {
			return nil, err
		}
		s.taken.Add(1)
	}
	return nil, nil
}

// TestALongBatchCostsNoMemory: 1 M entries in one batch with WEIGHPOST_LONG, else 100 000.
func TestALongBatchCostsNoMemory(t *testing.T) {
	n := entriesBehind() / 10
	s := &swallow{}
	most := holds(t, n+7, s, func(*Runner) bool { return uint64(s.taken.Load()) >= n }, func(c *Config) { c.Closed = fmt.Sprint(n) })
	t.Logf("in use above the start: %d kB for a batch of %d", most>>10, n)
	if most > 16<<20 { // the entries themselves are 100 MB, or a gigabyte
		t.Errorf("%d bytes for a batch of %d", most, n)
	}
}
