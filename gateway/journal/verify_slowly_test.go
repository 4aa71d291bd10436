package journal

import (
	"context"
	"path/filepath"
	"sync"
	"testing"
	"time"
)

// While slow passes go on, weighings come, the key is replaced, entries are sealed and dropped, and the WAL is copied back. None
// of it is ever taken for damage: a fault that is confirmed would stop recording.
func TestNothingThatAJournalDoesIsTakenForDamage(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "journal")
	j := filled(t, Options{Dir: dir, idleAfter: 5 * time.Millisecond, signEvery: 20 * time.Millisecond}, 2000)
	least, begun := time.Duration(rounds(2, 60))*time.Second, time.Now()
	ctx, cancel := context.WithTimeout(context.Background(), least+2*time.Minute)
	defer cancel()
	var work sync.WaitGroup
	do := func(every time.Duration, f func() error) {
		work.Go(func() {
			for ctx.Err() == nil {
				if err := f(); err != nil && ctx.Err() == nil {
					t.Error(err)
					return
				}
				time.Sleep(every)
			}
		})
	}
	archive := &memory{}
	do(time.Millisecond, func() error { _, err := j.Append(ctx, weighing("b-0", 1), weighing("b-1", 1)); return err })
	do(300*time.Millisecond, func() error { _, err := j.RotateKey(ctx, byHand); return err })
	do(200*time.Millisecond, func() error { _, err := j.Seal(ctx, sealOptions(500, archive)); return err })
	passes, doubts := 0, 0
	for ctx.Err() == nil && (passes == 0 || time.Since(begun) < least) { // one whole pass, however slow the machine is
		r, err := j.VerifySlowly(ctx, func() int { return 40 }, func(uint64) {})
		if err != nil {
			break
		}
		if passes++; r.Verified {
			continue
		}
		doubts++
		t.Logf("in doubt: %s", r.Faults[0])
		if f, err := j.Confirm(context.Background()); err != nil || f != nil {
			t.Errorf("confirmed: %v, %v", f, err)
		}
	}
	cancel()
	work.Wait()
	if passes == 0 {
		t.Error("no pass came to its end")
	}
	t.Logf("%d passes, %d in doubt", passes, doubts)
	must(t, j.Close())
	verifyClean(t, dir)
}
