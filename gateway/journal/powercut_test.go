package journal

import (
	"context"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/ncruces/go-sqlite3"

	"weighpost/gateway/record"
)

// cutter cuts the power of a journal again and again.
type cutter struct {
	disk   *cutDisk
	dir    string // real, for the lock; the journal's files are on the disk in memory
	random *rand.Rand
	sync   string
	l      *lives
	acked  int
	keys   int // changed
}

func newCutter(t *testing.T, random *rand.Rand, synchronous string) *cutter {
	dir := t.TempDir()
	return &cutter{
		disk: newCutDisk(fmt.Sprintf("cut-%d", random.Uint64()), t.TempDir(), random),
		dir:  dir, random: random, sync: synchronous, l: newLives(dir),
	}
}

func (c *cutter) options() Options {
	return Options{Dir: c.dir, Site: "north-lab", disk: c.disk, synchronous: c.sync, idleAfter: time.Millisecond,
		signEvery: 5 * time.Millisecond, foldAt: 96 << 10, retryMin: time.Millisecond, retryMax: 2 * time.Millisecond}
}

// life opens the journal and appends with three hands until the power is gone. It returns why the journal did not open.
func (c *cutter) life(ops int) error {
	c.disk.mu.Lock()
	c.disk.cutAt = c.disk.ops + ops
	c.disk.mu.Unlock()
	j, err := Open(context.Background(), c.options())
	if err != nil {
		return err
	}
	var wg sync.WaitGroup
	var mu sync.Mutex
	for hand := range 3 {
		wg.Go(func() {
			for i := 0; ; i++ {
				e, err := j.Append(context.Background(), weighing(fmt.Sprintf("b-%d", hand), i), weighing("shared", i))
				if err != nil {
					return
				}
				mu.Lock()
				c.l.hear(ackLine(e[0]))
				c.l.hear(ackLine(e[1]))
				c.acked += 2
				mu.Unlock()
				_ = j.SetCursor("files", e[0].Seq)
				// The oldest entries come from the disk, so that readers hold locks while the power goes.
				_, _ = j.Read(context.Background(), uint64(i), 2)
				if i%4 == 3 {
					time.Sleep(time.Millisecond) // idle: the WAL is copied back
				}
			}
		})
	}
	wg.Wait()
	_ = j.Close()
	return nil
}

// present counts the acknowledged entries that are on the disk, with their bytes.
func (c *cutter) present() (n int, err error) {
	db, err := openLook(c.disk, filepath.Join(c.dir, dbName))
	if err != nil {
		return 0, err
	}
	defer db.Close()
	err = query(db, "SELECT json FROM entries", nil, func(row *sqlite3.Stmt) error {
		e, err := record.ParseEntry(row.ColumnBlob(0, nil))
		if err != nil {
			return err
		}
		if want, acked := c.l.acks[e.Seq]; acked && "ack "+fmt.Sprint(e.Seq)+" "+want == ackLine(e) {
			n++
		}
		return nil
	})
	return n, err
}

// cutPower runs n lives, a new journal every few, and hands each state after a cut to judge.
func cutPower(t *testing.T, n int, random *rand.Rand, synchronous string, judge func(c *cutter, round int)) (acked int) {
	t.Helper()
	var c *cutter
	for round := range n {
		if round%10 == 0 {
			if c != nil {
				acked += c.acked
				c.disk.unplug()
			}
			c = newCutter(t, random, synchronous)
		}
		ops := 1 + random.IntN(400)
		if round%10 == 0 {
			ops = 1 + random.IntN(60) // in the making of the journal, or soon after
		}
		if err := c.life(ops); err != nil && !c.cut() {
			t.Fatalf("cut %d: the journal does not open, with power: %v", round, err)
		}
		c.disk = c.disk.reboot(t.TempDir())
		judge(c, round)
		if t.Failed() {
			return acked
		}
	}
	c.disk.unplug()
	return acked + c.acked
}

func (c *cutter) cut() bool {
	c.disk.mu.Lock()
	defer c.disk.mu.Unlock()
	return c.disk.dead
}

func TestNothingAcknowledgedIsLostByAPowerCut(t *testing.T) {
	t.Parallel()
	random, seed := newSeed(t)
	n := rounds(25, 1000)
	made := 0
	acked := cutPower(t, n, random, "FULL", func(c *cutter, round int) {
		when := fmt.Sprintf("seed %d, cut %d", seed, round)
		if there, _ := c.disk.Exists(filepath.Join(c.dir, dbName)); !there {
			if len(c.l.acks) > 0 {
				t.Fatalf("%s: %d entries were acknowledged, and there is no journal", when, len(c.l.acks))
			}
		} else {
			made++
			r, err := verifyOn(context.Background(), c.disk, c.dir, "", nil)
			if err != nil || !r.Verified {
				t.Fatalf("%s: %v\n%s", when, err, r.Text())
			}
			if got, err := c.present(); err != nil || got != len(c.l.acks) {
				t.Fatalf("%s: %d of %d acknowledged entries are there (%v)", when, got, len(c.l.acks), err)
			}
		}
		if random.IntN(2) == 0 {
			return // the next life begins with what the cut left
		}
		j, err := Open(context.Background(), c.options())
		if err != nil {
			t.Fatalf("%s: it does not open again: %v", when, err)
		}
		if _, err := j.Append(context.Background(), weighing("after", round)); err != nil {
			t.Fatalf("%s: %v", when, err)
		}
		must(t, j.Close())
		for _, line := range c.l.odd {
			t.Errorf("%s: %s", when, line)
		}
	})
	if made < n/2 || acked < n {
		t.Errorf("%d cuts hit a made journal and %d entries were acknowledged: the cuts come too early", made, acked)
	}
	t.Logf("%d power cuts, %d entries acknowledged, 0 lost", n, acked)
}

// The same cuts with a journal that does not sync each commit: if nothing were lost, the test above would show nothing.
func TestThePowerCutsWouldShowALoss(t *testing.T) {
	t.Parallel()
	random, _ := newSeed(t)
	n := rounds(10, 200)
	lost, refused := 0, 0
	acked := cutPower(t, n, random, "NORMAL", func(c *cutter, round int) {
		defer c.newDisk(t)
		got, _ := c.present() // one that cannot be read has lost all
		lost += len(c.l.acks) - got
		if got < len(c.l.acks) {
			j, err := Open(context.Background(), c.options())
			if err == nil {
				t.Errorf("cut %d: %d of %d acknowledged entries are there, and the journal opens", round, got, len(c.l.acks))
				must(t, j.Close())
			}
			refused++
		}
	})
	if lost == 0 {
		t.Error("nothing was lost without syncs: the cuts cut nothing")
	}
	t.Logf("%d power cuts with synchronous=NORMAL, %d entries acknowledged, %d lost; %d journals refused for it", n, acked, lost, refused)
}

// newDisk begins again with an empty one.
func (c *cutter) newDisk(t *testing.T) {
	c.disk.unplug()
	c.disk = newCutDisk(c.disk.name, t.TempDir(), c.random)
	c.l = newLives(c.dir)
}
