package journal

import (
	"context"
	"errors"
	"path/filepath"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"weighpost/gateway/record"
)

func release(refs ...uint64) *record.HeldReleased {
	body := &record.HeldReleased{By: record.Actor{ID: "bea", By: record.ActorHost}, Stamp: moved(0, 0).Stamp}
	for _, seq := range refs {
		body.Entries = append(body.Entries, record.EntryRef{Seq: seq, ID: "x"})
	}
	return body
}

func paused() *record.SinkPaused {
	return &record.SinkPaused{Paused: true, Sink: "files", By: record.Actor{ID: "bea", By: record.ActorHost}, Stamp: moved(0, 0).Stamp}
}

// TestTheFirstReleaseCounts: what was released, and what a reader keeps, is there after a start and after a restore.
func TestTheFirstReleaseCounts(t *testing.T) {
	dir, ctx := t.TempDir(), context.Background()
	j := open(t, Options{Dir: dir})
	appendN(t, j, "b-12", 4)
	for _, refs := range [][]uint64{{1, 2}, {2, 3, 6, 99, 0}, {3}} {
		_, err := j.Append(ctx, release(refs...))
		must(t, err)
	}
	must(t, j.Remember(ctx, "pause/files", "paused", paused()))
	must(t, j.Remember(ctx, "batch/files", "a", paused()))
	must(t, j.Remember(ctx, "batch/files", ""))
	look := func(j *Journal, when string) {
		t.Helper()
		got, err := j.Released(ctx, []uint64{1, 2, 3, 4, 6, 99})
		if want := []uint64{5, 5, 6, 0, 0, 0}; err != nil || !slices.Equal(got, want) {
			t.Errorf("%s: %v, %v, want %v", when, got, err, want)
		}
		text, seq, err := j.Remembered("pause/files")
		other, _, _ := j.Remembered("batch/files")
		if err != nil || text != "paused" || seq != 8 || other != "" {
			t.Errorf("%s: %q from %d, %q, %v", when, text, seq, other, err)
		}
	}
	look(j, "at once")
	must(t, j.Close())
	verifyClean(t, dir)
	j = open(t, Options{Dir: dir})
	look(j, "after a start")
	must(t, j.Close())
	built := filepath.Join(t.TempDir(), "restored")
	_, err := Build(ctx, built, sourceOf(t, dir).options())
	must(t, err)
	look(open(t, Options{Dir: built}), "after a restore")
}

// TestAReleaseThatWasNotAcknowledgedIsUndone: the head cannot be written after the commit, so that nothing may have happened.
func TestAReleaseThatWasNotAcknowledgedIsUndone(t *testing.T) {
	dir, ctx := t.TempDir(), context.Background()
	disk := sickHead{sick: new(atomic.Bool)}
	j := open(t, Options{Dir: dir, disk: disk, retryMin: time.Millisecond, retryMax: time.Millisecond})
	appendN(t, j, "b-12", 2)
	must(t, j.Remember(ctx, "batch/files", "first"))
	disk.sick.Store(true)
	if err := j.Remember(ctx, "batch/files", "second", release(1)); !errors.Is(err, ErrStopped) {
		t.Fatalf("a release without a head: %v", err)
	}
	stored(t, dir, "SELECT count(*) FROM released", 1) // it did get that far
	disk.sick.Store(false)
	for j.Stopped() != nil {
		time.Sleep(time.Millisecond)
	}
	if text, _, _ := j.Remembered("batch/files"); text != "first" {
		t.Errorf("kept %q", text)
	}
	stored(t, dir, "SELECT count(*) FROM meta WHERE name = 'note/batch/files' AND value LIKE '% first'", 1)
	must(t, j.Remember(ctx, "x", "y", paused())) // takes the sequence of what was undone
	_, err := j.Append(ctx, release(1))
	must(t, err)
	if got, err := j.Released(ctx, []uint64{1}); err != nil || got[0] != j.Head() {
		t.Errorf("released by %v, %v", got, err)
	}
	must(t, j.Close())
	verifyClean(t, dir)
}
