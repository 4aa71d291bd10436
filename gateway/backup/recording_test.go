package backup

import (
	"fmt"
	"sync/atomic"
	"testing"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// TestBackupsAreConsistentWhileTheJournalRecords makes one after the other while entries come, each whole at its checkpoint,
// with everything that was acknowledged before it began.
func TestBackupsAreConsistentWhileTheJournalRecords(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.weigh(20)
	var acknowledged atomic.Uint64
	stop, done := make(chan struct{}), make(chan error, 1)
	go func() {
		for n := 0; ; n++ {
			select {
			case <-stop:
				done <- nil
				return
			default:
			}
			e, err := b.journal.Append(t.Context(), &record.Weighing{Balance: record.Balance{ID: fmt.Sprintf("c-%d", n%3)}, Stamp: stampAt(n % 60)})
			if err != nil {
				done <- err
				return
			}
			acknowledged.Store(e[0].Seq)
		}
	}()
	o, last := b.order(), uint64(0)
	for i := range 10 {
		o.Name = fmt.Sprintf("backup-%d.tar", i)
		before := acknowledged.Load()
		made, err := Create(t.Context(), o) // it verifies: numbers, cursors and entries are of one moment
		if err != nil {
			t.Error(err)
			break
		}
		if made.Manifest.Entries < before || made.Manifest.Entries < last {
			t.Errorf("%d entries are in it, %d were acknowledged before, %d were in the one before", made.Manifest.Entries, before, last)
		}
		last = made.Manifest.Entries
	}
	close(stop)
	if err := <-done; err != nil {
		t.Error(err)
	}
	if last <= 20 {
		t.Error("nothing was recorded meanwhile: the test shows nothing")
	}
}

// TestAClosedJournalHasTheSameSnapshot: SnapshotDir reads what Snapshot of the open journal told.
func TestAClosedJournalHasTheSameSnapshot(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	j, err := journal.Open(t.Context(), journal.Options{Dir: dir, Site: "north-lab"})
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{TB: t, dir: dir, folder: t.TempDir(), journal: j}
	b.weigh(30)
	if err := j.SetCursor("broker", 12); err != nil {
		t.Fatal(err)
	}
	open, err := j.Snapshot(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := journal.SnapshotDir(t.Context(), dir); err == nil {
		t.Error("the snapshot of a journal in use was taken from its folder")
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	closed, err := journal.SnapshotDir(t.Context(), dir)
	if err != nil || fmt.Sprint(closed) != fmt.Sprint(open) {
		t.Errorf("closed: %v, %v\nopen:   %v", closed, err, open)
	}
}
