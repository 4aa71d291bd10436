package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/needs"
)

func TestNothingAcknowledgedIsLostByAKill(t *testing.T) {
	t.Parallel()
	random, _ := newSeed(t)
	l := newLives(t.TempDir())
	n := rounds(15, 500)
	for round := range n {
		first, gone := make(chan struct{}), make(chan struct{})
		var acks atomic.Int64
		cmd := l.start(t, 0, 4, nil, func(line string) {
			switch {
			case line == "":
				close(gone)
			case strings.HasPrefix(line, "ack") && acks.Add(1) == 1:
				close(first)
			}
		})
		select {
		case <-first:
		case <-gone:
			t.Fatalf("round %d: the stand-in ended: %v", round, l.odd)
		}
		time.Sleep(time.Duration(random.IntN(50_000)) * time.Microsecond) // the kill comes at a random moment
		must(t, cmd.Process.Kill())
		<-gone
		_ = cmd.Wait()
		if round%10 == 0 || round == n-1 {
			l.check(t, fmt.Sprintf("round %d", round))
		}
		if t.Failed() {
			t.FailNow()
		}
	}
	t.Logf("%d kills, %d entries acknowledged, none lost", n, len(l.acks))
}

// injected runs a stand-in of a few weighings with faults injected into its system calls, and tells whether it ended by itself.
func injected(t *testing.T, l *lives, count int, inject string) (ended bool) {
	t.Helper()
	gone := make(chan struct{})
	calls, _, _ := strings.Cut(inject, ":")
	cmd := l.start(t, count, 1, []string{"strace", "-f", "-qq", "-o", "/dev/null", "-e", "trace=" + calls, "-e", "inject=" + inject},
		func(line string) {
			if line == "" {
				close(gone)
			}
		})
	<-gone
	_ = cmd.Wait()
	return l.ended
}

// The K-th write or sync of a thread never returns: K = 1, 2, 3 … until a whole life passes.
func TestNothingAcknowledgedIsLostByAKillAtAnyWriteOrSync(t *testing.T) {
	t.Parallel()
	needs.Programs(t, "strace")
	random, _ := newSeed(t)
	step := rounds(9, 1)
	kills, alive := 0, 0
	for k := 1 + random.IntN(step); alive < 2; k += step {
		l := newLives(t.TempDir())
		const calls = "pwrite64,fsync,fdatasync,ftruncate,rename,renameat,renameat2,unlink,unlinkat"
		if injected(t, l, 5, fmt.Sprintf("%s:signal=SIGKILL:when=%d", calls, k)) {
			alive++
			continue
		}
		kills++
		if made, _ := (osDisk{}).Exists(filepath.Join(l.dir, dbName)); made {
			l.check(t, fmt.Sprintf("killed at call %d", k))
		} else if len(l.acks) > 0 {
			t.Errorf("killed at call %d: %d entries acknowledged, and there is no journal", k, len(l.acks))
		}
		j := open(t, Options{Dir: l.dir})
		appendN(t, j, "b-12", 1)
		must(t, j.Close())
		l.check(t, fmt.Sprintf("recorded again after a kill at call %d", k))
		if t.Failed() {
			t.FailNow()
		}
	}
	if kills < 3 {
		t.Errorf("only %d kills: the injection does not reach the writes", kills)
	}
	t.Logf("killed at %d different calls", kills)
}

func TestADiskThatFailsStopsRecordingAndNothingIsFalselyAcknowledged(t *testing.T) {
	t.Parallel()
	needs.Programs(t, "strace")
	for _, inject := range []string{
		"fdatasync:error=EIO:when=4",        // a commit, a head or a fold, whichever it meets
		"fdatasync:error=EIO:when=5+23",     // again and again
		"fdatasync:error=EIO:when=8..20",    // for a while
		"pwrite64:error=EIO:when=20+131",    //
		"pwrite64:error=ENOSPC:when=12..32", // a disk that is full for a while
		"pwrite64:error=ENOSPC:when=30+97",
	} {
		t.Run(inject, func(t *testing.T) {
			l := newLives(t.TempDir())
			// The making of the journal is not what is to fail here.
			must(t, open(t, Options{Dir: l.dir}).Close())
			if !injected(t, l, 40, inject) {
				t.Errorf("the stand-in did not end by itself: %v", l.odd)
			}
			if l.stops == 0 {
				t.Error("recording was never stopped: nothing failed")
			}
			if len(l.acks) != 40 {
				t.Errorf("%d entries acknowledged, want 40", len(l.acks))
			}
			l.check(t, inject)
			t.Logf("stopped %d times, %d refused, %d recorded", l.stops, len(l.refused), len(l.acks))
		})
	}
}

// A disk of 1 MB fills up, is grown, and recording resumes by itself; what was acknowledged is there.
func TestAFullDiskStopsRecordingUntilThereIsSpace(t *testing.T) {
	needs.That(t, os.Geteuid() == 0, "root, to mount a small tmpfs")
	at := t.TempDir()
	if err := syscall.Mount("tmpfs", at, "tmpfs", 0, "size=1m"); err != nil {
		needs.That(t, false, "the right to mount: "+err.Error())
	}
	defer func() { must(t, syscall.Unmount(at, 0)) }()
	states := make(chan bool, 1000)
	var told atomic.Value
	dir := filepath.Join(at, "journal")
	j := open(t, Options{Dir: dir, retryMin: 10 * time.Millisecond, retryMax: 50 * time.Millisecond, idleAfter: 20 * time.Millisecond,
		OnState: func(stopped bool, cause error) {
			if stopped {
				told.Store(cause.Error())
				t.Logf("stopped: %+v", cause)
			}
			states <- stopped
		}})
	l, n := newLives(dir), 0
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	record := func() error {
		n++
		e, err := j.Append(ctx, weighing("b-12", n))
		if err != nil {
			l.refused = append(l.refused, fmt.Sprintf("lot-%06d", n))
			return err
		}
		l.hear(ackLine(e[0]))
		return nil
	}
	var err error
	for err == nil {
		err = record()
	}
	if !errors.Is(err, ErrStopped) || j.Stopped() == nil || !<-states {
		t.Fatalf("full: %v, stopped: %v", err, j.Stopped())
	}
	full := len(l.acks)
	if got, err := j.Read(ctx, 0, full+1); err != nil || len(got) != full {
		t.Errorf("while it is full, %d of %d entries can be read: %v", len(got), full, err)
	}
	must(t, syscall.Mount("tmpfs", at, "tmpfs", syscall.MS_REMOUNT, "size=16m"))
	for stopped := true; stopped; {
		select {
		case stopped = <-states:
		case <-ctx.Done():
			t.Fatal("recording did not resume by itself")
		}
	}
	for range 100 {
		must(t, record())
	}
	must(t, j.Close())
	l.check(t, "after the disk was grown")
	t.Logf("%d entries fitted; told: %v; then %d more", full, told.Load(), len(l.acks)-full)
}
