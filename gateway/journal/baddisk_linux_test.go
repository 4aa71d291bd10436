package journal

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/journal/disktest"
)

// troubled is a journal on a disk that is going to fail, with what its caller was told.
type troubled struct {
	*Journal
	l      *lives
	states chan string // why recording stopped, or "" when it works again
	n      int
}

func newTroubled(t *testing.T, disk *disktest.Disk) *troubled {
	b := &troubled{l: newLives(filepath.Join(disk.Dir, "journal")), states: make(chan string, 10_000)}
	b.Journal = open(t, Options{Dir: b.l.dir, retryMin: 10 * time.Millisecond, retryMax: 50 * time.Millisecond, idleAfter: 20 * time.Millisecond,
		OnState: func(stopped bool, cause error) {
			if stopped {
				b.states <- cause.Error()
			} else {
				b.states <- ""
			}
		}})
	return b
}

// record appends one weighing and notes down what came of it.
func (b *troubled) record() error {
	b.n++
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	e, err := b.Append(ctx, weighing("b-12", b.n))
	if err != nil {
		b.l.refused = append(b.l.refused, fmt.Sprintf("lot-%06d", b.n))
		return err
	}
	b.l.hear(ackLine(e[0]))
	return nil
}

// mustRefuse records until the journal refuses, and holds it to what it owes while it cannot record.
func (b *troubled) mustRefuse(t *testing.T) {
	t.Helper()
	var err error
	for limit := time.Now().Add(30 * time.Second); err == nil; err = b.record() {
		if time.Now().After(limit) {
			t.Fatalf("%d weighings were acknowledged on a disk that fails", len(b.l.acks))
		}
	}
	if !errors.Is(err, ErrStopped) || b.Stopped() == nil {
		t.Fatalf("refused with %v; stopped: %v", err, b.Stopped())
	}
	t.Logf("%d acknowledged, then told: %v", len(b.l.acks), b.Stopped())
	for range 20 {
		if err := b.record(); err == nil {
			t.Error("a weighing was acknowledged on a disk that fails")
		}
		time.Sleep(5 * time.Millisecond) // so that several tries to record again lie between them
	}
	if got, err := b.Read(context.Background(), 0, len(b.l.acks)+1); err != nil || len(got) != len(b.l.acks) {
		t.Errorf("meanwhile %d of %d acknowledged entries can be read: %v", len(got), len(b.l.acks), err)
	}
}

// ends closes the journal on the bad disk, mounts that as after a restart, and holds what is there to what was said.
func (b *troubled) ends(t *testing.T, disk *disktest.Disk) {
	t.Helper()
	closed := make(chan error, 1)
	go func() { closed <- b.Journal.Close() }()
	select {
	case err := <-closed:
		t.Logf("closed: %v", err)
	case <-time.After(20 * time.Second):
		t.Fatal("the journal cannot be closed on a disk that fails")
	}
	disk.Remount(t)
	b.l.check(t, "after the disk was mounted anew")
	again := newTroubled(t, disk)
	must(t, again.record())
}

func TestADiskThatTurnsReadOnlyStopsRecordingAndLosesNothing(t *testing.T) {
	disk := disktest.New(t, disktest.Options{Mount: "errors=remount-ro"})
	b := newTroubled(t, disk)
	for range 50 {
		must(t, b.record())
	}
	disk.Spoil(t)
	b.mustRefuse(t)
	if cause := fmt.Sprint(b.Stopped()); !strings.Contains(cause, "the disk has turned read-only") || !strings.Contains(cause, "mount it again") {
		t.Errorf("it says %q", cause)
	}
	b.ends(t, disk)
}

// The device holds less than it promised, so that the kernel meets errors when it writes out what it had taken. Growing it
// heals the device; whether ext4 goes on after such errors is the kernel's choice, and a restart settles it.
func TestADeviceThatRefusesToWriteStopsRecordingAndLosesNothing(t *testing.T) {
	disk := disktest.New(t, disktest.Options{Behind: 6 << 20})
	b := newTroubled(t, disk)
	b.mustRefuse(t)
	disk.Grow(t, 80<<20)
	err := ErrStopped
	for tries := 0; tries < 25 && errors.Is(err, ErrStopped); tries++ {
		time.Sleep(20 * time.Millisecond)
		err = b.record()
	}
	t.Logf("on the healed device: %v", err)
	if err != nil && b.Stopped() == nil {
		t.Error("recording is said to work and does not")
	}
	b.ends(t, disk)
}
