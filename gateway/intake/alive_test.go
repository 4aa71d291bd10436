package intake

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/port"
)

// TestASilentBalanceIsAlive: for a day nothing comes, and for another the journal refuses.
func TestASilentBalanceIsAlive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, nil, nil)
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			time.Sleep(24 * time.Hour)
			if idle := time.Since(b.Alive()); idle != 0 {
				t.Errorf("a silent balance shows no life for %s", idle)
			}
			b.journal.stop(errors.New("the disk is full"))
			sent(h, "W 1.000 g S\n")
			time.Sleep(24 * time.Hour)
			if idle := time.Since(b.Alive()); idle != 0 {
				t.Errorf("with a full disk there is no life for %s", idle)
			}
			b.journal.stop(nil)
			time.Sleep(time.Minute)
		}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Hour)
		if idle := time.Since(b.Alive()); idle < time.Hour {
			t.Errorf("an hour after its end there was life %s ago", idle)
		}
	})
}

// TestAStuckRecorderShowsNoLife, and one that goes on does.
func TestAStuckRecorderShowsNoLife(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, nil, nil)
		b.journal.hold = make(chan struct{})
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			time.Sleep(time.Minute)
			if idle := time.Since(b.Alive()); idle < time.Minute {
				t.Errorf("an append hangs for over a minute, and there was life %s ago", idle)
			}
			close(b.journal.hold)
			synctest.Wait()
			if idle := time.Since(b.Alive()); idle != 0 {
				t.Errorf("no life for %s after the append has returned", idle)
			}
		}); err != nil {
			t.Fatal(err)
		}
	})
}

// TestALockThatNobodyGivesBackIsNoLife: whoever holds it, both goroutines need it.
func TestALockThatNobodyGivesBackIsNoLife(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, nil, nil)
		time.Sleep(time.Hour) // nobody has asked so far
		b.mu.Lock()
		if idle := time.Since(b.Alive()); idle > time.Second {
			t.Errorf("the first look says %s without life", idle)
		}
		time.Sleep(time.Minute)
		if idle := time.Since(b.Alive()); idle < time.Minute {
			t.Errorf("the lock is held for a minute, and there was life %s ago", idle)
		}
		b.mu.Unlock()
		if idle := time.Since(b.Alive()); idle != 0 {
			t.Errorf("no life for %s with the lock free", idle)
		}
	})
}
