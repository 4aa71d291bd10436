package journal

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// A copy that is not what was written, or a place that is gone, leaves everything in journal.db.
func TestNothingIsDroppedBeforeEveryCopyIsRight(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	j := filled(t, Options{Dir: dir}, 1700)
	before := readEverything(t, j)
	lying := &memory{lies: func(name string, b []byte) []byte { b[len(b)/2] ^= 1; return b }}
	short := &memory{lies: func(name string, b []byte) []byte { return b[:len(b)-1] }}
	gone := &memory{gone: errors.New("the share does not answer")}
	for _, p := range []*memory{lying, short, gone} {
		_, err := j.Seal(context.Background(), sealOptions(500, &memory{}, p))
		var fault *CopyFault
		if !errors.As(err, &fault) || fault.Where != "the archive" || !strings.Contains(err.Error(), "nothing was taken out of journal.db") {
			t.Errorf("Seal: %v", err)
		}
	}
	if n := emptied(t, dir); n != 0 || j.Head() != 1700 {
		t.Errorf("%d entries were dropped, and the journal has %d", n, j.Head())
	}
	// The place works again: the same segment is taken, and all is as before.
	lying.lies = nil
	if done := seal(t, j, sealOptions(500, lying)); len(done.Segments) != 1 {
		t.Errorf("%+v", done)
	}
	if !sameEntries(readEverything(t, j)[:1700], before) {
		t.Error("other entries are read")
	}
}

func TestWhatMustStayIsNotSealed(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	j := filled(t, Options{Dir: t.TempDir()}, 3000)
	must(t, j.SetCursor("lims", 1200))
	all := sealOptions(500)
	all.All = true
	plan := func(o SealOptions) record.SealPlan {
		t.Helper()
		p, err := j.PlanSealing(ctx, o)
		must(t, err)
		return p
	}
	if p := plan(all); p.Last != 2000 || !strings.Contains(p.Why, "the last 1000 entries are always kept") {
		t.Errorf("%+v", p)
	}
	behind := all
	behind.Readers = []SealReader{{"lims", "the sink lims has had the entries up to %d only"}}
	if p := plan(behind); p.Last != 1200 || p.Why != "the sink lims has had the entries up to 1200 only" {
		t.Errorf("%+v", p)
	}
	behind.Readers = []SealReader{{"new", "the sink new has had the entries up to %d only"}}
	if p := plan(behind); p.Last != 0 {
		t.Errorf("a sink that is new: %+v", p)
	}
	e, err := j.Read(ctx, 699, 1)
	must(t, err)
	must(t, j.Park(ctx, "lims", e[0], &record.Parked{Sink: "lims", Entry: 700, Stamp: sealStamp()}))
	if p := plan(all); p.Last != 699 || p.Why != "entry 700 is parked for lims" {
		t.Errorf("%+v", p)
	}
	young := all
	young.Before = sealDay.AddDate(-2, 0, 0)
	if p := plan(young); p.Last != 0 || !strings.Contains(p.Why, "entry 1 is of 2026-11-25") {
		t.Errorf("%+v", p)
	}
	young.Before = sealDay.AddDate(0, -1, 0)
	if _, err := j.Seal(ctx, young); err == nil || !strings.Contains(err.Error(), "keep_at_least") {
		t.Errorf("younger than keep_at_least: %v", err)
	}
	// A clock that nobody checked, and that runs ahead, makes nothing old: the newest checked stamp counts.
	ahead := all
	ahead.Stamp = func() record.Stamp {
		s := sealStamp()
		s.Clock, s.UTC = record.ClockUnchecked, record.UTC(sealDay.AddDate(20, 0, 0))
		return s
	}
	ahead.Before = sealDay.AddDate(1, 0, 0)
	if _, err := j.Seal(ctx, ahead); err == nil || !strings.Contains(err.Error(), "keep_at_least") {
		t.Errorf("with a clock that runs ahead: %v", err)
	}
}

// Stamps of a clock that nobody had checked say nothing of an entry's age; what a checked stamp follows is at least as old.
func TestAnUncheckedStampMakesNothingOld(t *testing.T) {
	t.Parallel()
	j := open(t, Options{Dir: t.TempDir()})
	var bodies []record.Body
	for i := range 1600 {
		s := sealStamp()
		s.UTC = record.UTC(sealDay.AddDate(-2, 0, 0))
		if i >= 400 {
			s.Clock, s.UTC = record.ClockUnchecked, record.UTC(time.Unix(0, 0)) // a computer that has lost its time
		}
		bodies = append(bodies, &record.Lifecycle{Stamp: s})
	}
	_, err := j.Append(context.Background(), bodies...)
	must(t, err)
	o := sealOptions(500)
	o.All = true
	p, err := j.PlanSealing(context.Background(), o)
	if err != nil || p.Last != 400 {
		t.Errorf("%+v, %v", p, err)
	}
	o.Unchecked = true
	if p, err = j.PlanSealing(context.Background(), o); err != nil || p.Last != 600 {
		t.Errorf("with unchecked_clock: %+v, %v", p, err)
	}
}

// Random sealing, restarts, appends and reads at the same time: whoever reads gets every entry as it was recorded.
func TestReadersMissNothingWhileEntriesAreSealed(t *testing.T) {
	t.Parallel()
	random, _ := newSeed(t)
	dir := t.TempDir()
	j := filled(t, Options{Dir: dir}, 1500)
	want := readEverything(t, j)
	archive := &memory{}
	for range rounds(2, 100) {
		ctx, stop := context.WithCancel(context.Background())
		var wg sync.WaitGroup
		seed := random.Uint64()
		wg.Go(func() {
			o := sealOptions(50+seed%200, archive)
			o.All = true
			if _, err := j.Seal(ctx, o); err != nil && ctx.Err() == nil {
				t.Error(err)
			}
		})
		wg.Go(func() {
			for i := 0; ctx.Err() == nil; i++ {
				from := (seed + uint64(i)*37) % uint64(len(want))
				e, err := j.Read(context.Background(), from, 20)
				if err != nil || len(e) == 0 || !sameEntries(e[:min(len(e), len(want)-int(from))], want[from:min(len(want), int(from)+len(e))]) {
					t.Errorf("after %d: %d entries, %v", from, len(e), err)
					return
				}
			}
		})
		for range 20 {
			appendN(t, j, "b-1", 5)
			time.Sleep(time.Duration(random.IntN(8)) * time.Millisecond)
		}
		stop() // often in the middle of it
		wg.Wait()
		must(t, j.Close())
		verifyClean(t, dir)
		j = open(t, Options{Dir: dir})
		want = readEverything(t, j)
	}
}

// The power is cut at random moments of a journal that seals and changes its key while it records: no entry is lost, each is read
// from journal.db or from a segment, and what was cut short is finished.
func TestNothingIsLostByAPowerCutWhileSealing(t *testing.T) {
	t.Parallel()
	random, seed := newSeed(t)
	const perJournal = 100
	sealedRows, acked, keys, cuts := 0, 0, 0, rounds(5, 1000)
	for left := cuts; left > 0 && !t.Failed(); left -= perJournal {
		c := newCutter(t, random, "FULL")
		must(t, filled(t, c.options(), 1300).Close())
		archive := &memory{}
		for round := range min(left, perJournal) {
			when := fmt.Sprintf("seed %d, cut %d", seed, cuts-left+round)
			c.sealingLife(archive, 1+random.IntN(1500))
			c.disk = c.disk.reboot(t.TempDir())
			r, err := verifyOn(context.Background(), c.disk, c.dir, "", nil)
			if err != nil || !r.Verified {
				t.Fatalf("%s: %v\n%s", when, err, r.Text())
			}
			c.allThere(t, when)
			if t.Failed() {
				return
			}
			if round == min(left, perJournal)-1 {
				sealedRows += int(r.Sealed.Entries)
			}
		}
		acked, keys = acked+len(c.l.acks), keys+c.keys
		c.disk.unplug()
	}
	if acked == 0 || (sealedRows == 0 || keys == 0) && cuts > perJournal { // few cuts may all come too early
		t.Errorf("%d entries sealed, %d acknowledged, %d keys changed: the cuts come too early", sealedRows, acked, keys)
	}
	t.Logf("%d power cuts, %d entries acknowledged, %d of all sealed, %d keys changed", cuts, acked, sealedRows, keys)
}

// allThere opens the journal again and holds what can be read against what was acknowledged.
func (c *cutter) allThere(t *testing.T, when string) {
	t.Helper()
	j, err := Open(context.Background(), c.options())
	if err != nil {
		t.Fatalf("%s: it does not open again: %v", when, err)
	}
	there := map[uint64]string{}
	for _, e := range readEverything(t, j) {
		there[e.Seq] = ackLine(e)
	}
	for seq, line := range c.l.acks {
		if there[seq] != "ack "+fmt.Sprint(seq)+" "+line {
			t.Errorf("%s: entry %d is not what was acknowledged", when, seq)
		}
	}
	must(t, j.Close())
}

// sealingLife opens the journal, records, seals and changes the key until the power is gone.
func (c *cutter) sealingLife(archive Place, ops int) {
	c.disk.mu.Lock()
	c.disk.cutAt = c.disk.ops + ops
	c.disk.mu.Unlock()
	j, err := Open(context.Background(), c.options())
	if err != nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	var wg sync.WaitGroup
	var mu sync.Mutex
	hear := func(e record.Entry) {
		mu.Lock()
		defer mu.Unlock()
		c.l.hear(ackLine(e))
	}
	wg.Go(func() {
		o := sealOptions(30, archive)
		o.All = true
		for ctx.Err() == nil {
			if _, err := j.Seal(ctx, o); err != nil {
				return
			}
			time.Sleep(time.Millisecond)
		}
	})
	wg.Go(func() {
		for ctx.Err() == nil {
			time.Sleep(3 * time.Millisecond)
			e, err := j.RotateKey(ctx, byHand)
			if err != nil {
				return
			}
			c.keys++
			hear(e)
		}
	})
	wg.Go(func() {
		for i := 0; ctx.Err() == nil; i++ {
			e, err := j.Append(ctx, weighing("b-9", i))
			if err != nil {
				return
			}
			hear(e[0])
		}
	})
	wg.Wait()
	_ = j.Close()
}
