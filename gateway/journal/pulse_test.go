package journal

import (
	"errors"
	"io/fs"
	"sync"
	"syscall"
	"testing"
	"time"
)

// heldDisk is the real disk, but that a sync of the head waits while it is held, and fails while there is a fault.
type heldDisk struct {
	osDisk
	mu    sync.Mutex
	held  chan struct{} // nil: not held; closed to let go
	fault error
}

type heldFile struct {
	diskFile
	d *heldDisk
}

func (d *heldDisk) Open(name string, mode fs.FileMode) (diskFile, error) {
	f, err := d.osDisk.Open(name, mode)
	return heldFile{f, d}, err
}

func (d *heldDisk) hold() (letGo func()) {
	held := make(chan struct{})
	d.mu.Lock()
	defer d.mu.Unlock()
	d.held = held
	return sync.OnceFunc(func() {
		d.mu.Lock()
		defer d.mu.Unlock()
		d.held = nil
		close(held)
	})
}

func (d *heldDisk) fail(err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.fault = err
}

func (f heldFile) Sync() error {
	f.d.mu.Lock()
	held, fault := f.d.held, f.d.fault
	f.d.mu.Unlock()
	if held != nil {
		<-held
	}
	if fault != nil {
		return fault
	}
	return f.diskFile.Sync()
}

func eventually(t *testing.T, f func() bool, otherwise string) {
	t.Helper()
	for limit := time.Now().Add(10 * time.Second); !f(); time.Sleep(time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatal(otherwise)
		}
	}
}

// TestAWriterThatSitsInASyncIsNotAlive: its last sign of life stands still while the disk does not answer, and moves again
// when it does.
func TestAWriterThatSitsInASyncIsNotAlive(t *testing.T) {
	d := &heldDisk{}
	j := open(t, Options{Dir: t.TempDir(), disk: d})
	if age := time.Since(j.Alive()); age > time.Second {
		t.Fatalf("the last sign of life of a writer without work is %s old", age)
	}
	letGo := d.hold()
	t.Cleanup(letGo) // before Close
	done := make(chan error, 1)
	before := time.Now()
	go func() {
		_, err := j.Append(t.Context(), weighing("b-1", 1))
		done <- err
	}()
	eventually(t, func() bool { return time.Since(j.Alive()) > 200*time.Millisecond }, "a writer in a sync that does not return seems alive")
	if at := j.Alive(); at.Before(before) {
		t.Errorf("its last sign of life is %s older than its work", before.Sub(at))
	}
	letGo()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	eventually(t, func() bool { return time.Since(j.Alive()) < 100*time.Millisecond }, "a writer that goes on does not seem alive")
}

// TestAWriterWithoutSpaceIsAlive: recording is stopped and tried again, for as long as it takes, and nobody needs to restart
// the daemon for it.
func TestAWriterWithoutSpaceIsAlive(t *testing.T) {
	d := &heldDisk{}
	j := open(t, Options{Dir: t.TempDir(), disk: d, retryMin: 5 * time.Millisecond, retryMax: 20 * time.Millisecond})
	d.fail(syscall.ENOSPC)
	if _, err := j.Append(t.Context(), weighing("b-1", 1)); !errors.Is(err, ErrStopped) {
		t.Fatalf("appending without space says %v", err)
	}
	for end := time.Now().Add(500 * time.Millisecond); time.Now().Before(end); time.Sleep(time.Millisecond) {
		if age := time.Since(j.Alive()); age > 300*time.Millisecond {
			t.Fatalf("the last sign of life of a writer that tries again is %s old", age)
		}
	}
	if j.Stopped() == nil {
		t.Error("recording is not stopped: this test shows nothing")
	}
	d.fail(nil)
	eventually(t, func() bool { return j.Stopped() == nil }, "recording does not resume")
}
