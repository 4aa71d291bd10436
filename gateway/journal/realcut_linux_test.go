package journal

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os/exec"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"weighpost/gateway/journal/disktest"
	"weighpost/gateway/record"
)

// during runs a stand-in with four hands until it has acknowledged something, waits for a random moment after that, does
// what is to be done to it, and kills it.
func during(t *testing.T, l *lives, random *rand.Rand, do func()) {
	t.Helper()
	first, gone := make(chan struct{}), make(chan struct{})
	var acks atomic.Int64
	cmd := l.start(t, 0, 4, nil, func(line string) {
		switch {
		case line == "":
			close(gone)
		case len(line) > 4 && line[:4] == "ack " && acks.Add(1) == 1:
			close(first)
		}
	})
	select {
	case <-first:
	case <-gone:
		_ = cmd.Wait()
		t.Fatalf("the stand-in ended by itself (%v), after %d stops, the last: %s; %v\n%s", cmd.ProcessState, l.stops, l.lastStop, l.odd, l.said)
	}
	time.Sleep(time.Duration(random.IntN(50_000)) * time.Microsecond) // the fault comes at a random moment
	do()
	end(cmd, gone)
}

func end(cmd *exec.Cmd, gone <-chan struct{}) {
	_ = cmd.Process.Kill()
	<-gone
	_ = cmd.Wait()
}

// What the stand-in printed before the kernel's cache was lost is what must be there. What it prints between the cut and
// the kill counts as well: it must not acknowledge on a disk that is gone.
func TestNothingAcknowledgedIsLostWithTheKernelsCache(t *testing.T) {
	random, _ := newSeed(t)
	n := rounds(12, 1000)
	disk := disktest.New(t, disktest.Options{Bytes: int64(64+n) << 20}) // sparse; a full disk is another test's
	l := newLives(filepath.Join(disk.Dir, "journal"))
	for round := range n {
		during(t, l, random, func() { disk.Cut(t) })
		disk.Remount(t)
		l.refused = nil // one whose head could not be written is taken back as soon as the disk works; here the kill came first
		if round%10 == 0 || round == n-1 {
			l.check(t, fmt.Sprintf("cut %d", round))
		}
		if t.Failed() {
			t.FailNow()
		}
	}
	t.Logf("%d times the kernel's cache was lost; %d entries acknowledged, none lost", n, len(l.acks))
}

// The same cuts with a journal that does not sync each commit, each on a disk of its own.
func TestTheLostCacheWouldShowALoss(t *testing.T) {
	random, _ := newSeed(t)
	n := rounds(3, 50)
	acked, lost, refused := 0, 0, 0
	for round := range n {
		t.Run(fmt.Sprint(round), func(t *testing.T) {
			disk := disktest.New(t, disktest.Options{})
			l := newLives(filepath.Join(disk.Dir, "journal"))
			l.env = []string{standInSync + "=NORMAL"}
			during(t, l, random, func() { disk.Cut(t) })
			disk.Remount(t)
			there := l.present()
			acked, lost = acked+len(l.acks), lost+len(l.acks)-there
			if there == len(l.acks) {
				return
			}
			refused++
			if j, err := Open(context.Background(), Options{Dir: l.dir, Site: "north-lab"}); err == nil {
				t.Errorf("%d of %d acknowledged entries are there, and the journal opens", there, len(l.acks))
				must(t, j.Close())
			}
		})
	}
	if lost == 0 {
		t.Error("nothing was lost without syncs: the cuts cut nothing")
	}
	t.Logf("%d cuts with synchronous=NORMAL: %d entries acknowledged, %d lost; %d journals refused for it", n, acked, lost, refused)
}

// present counts the acknowledged entries that can be read. A journal that cannot be read has lost all.
func (l *lives) present() (n int) {
	_ = Scan(context.Background(), l.dir, 0, func(e record.Entry) error {
		if want, acked := l.acks[e.Seq]; acked && "ack "+fmt.Sprint(e.Seq)+" "+want == ackLine(e) {
			n++
		}
		return nil
	})
	return n
}

// The power goes in the middle of writes: of what was not synced a part is there, the last of it torn within a write.
func TestNothingAcknowledgedIsLostWithTornSectors(t *testing.T) {
	random, _ := newSeed(t)
	disk := newTornDisk(t, random)
	n := rounds(12, 1000)
	acked := 0
	var l *lives
	for round := range n {
		if round%25 == 0 {
			l = newLives(filepath.Join(disk.dir, fmt.Sprint("journal-", round)))
		}
		before := len(l.acks)
		during(t, l, random, disk.cut)
		disk.reboot(t)
		acked += len(l.acks) - before
		l.refused = nil // as above
		l.checkAt(t, filepath.Join(disk.kept, filepath.Base(l.dir)), fmt.Sprintf("cut %d", round))
		if t.Failed() {
			t.FailNow()
		}
	}
	t.Logf("%d cuts with torn writes; %d entries acknowledged, none lost", n, acked)
}

// The same cuts with a journal that does not sync each commit.
func TestTheTornSectorsWouldShowALoss(t *testing.T) {
	random, _ := newSeed(t)
	disk := newTornDisk(t, random)
	n := rounds(3, 50)
	acked, lost := 0, 0
	for round := range n {
		l := newLives(filepath.Join(disk.dir, fmt.Sprint("journal-", round)))
		l.env = []string{standInSync + "=NORMAL"}
		during(t, l, random, disk.cut)
		disk.reboot(t)
		l.dir = filepath.Join(disk.kept, filepath.Base(l.dir))
		there := l.present()
		acked, lost = acked+len(l.acks), lost+len(l.acks)-there
		if there == len(l.acks) {
			continue
		}
		if j, err := Open(context.Background(), Options{Dir: l.dir, Site: "north-lab"}); err == nil {
			t.Errorf("cut %d: %d of %d acknowledged entries are there, and the journal opens", round, there, len(l.acks))
			must(t, j.Close())
		}
	}
	if lost == 0 {
		t.Error("nothing was lost without syncs: the cuts cut nothing")
	}
	t.Logf("%d cuts with synchronous=NORMAL: %d entries acknowledged, %d lost", n, acked, lost)
}
