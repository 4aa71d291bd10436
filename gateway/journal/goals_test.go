package journal

import (
	"context"
	"errors"
	"io/fs"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"weighpost/gateway/record"
)

func moved(before, after uint64) *record.SinkMoved {
	return &record.SinkMoved{Sink: "files", From: "files /srv/a", To: "files /srv/b", Cursor: "start", Before: before, After: after,
		Stamp: record.Stamp{UTC: record.UTC(time.Date(2026, 11, 25, 10, 4, 5, 0, time.UTC)), Clock: record.ClockUnchecked}}
}

func TestWhatACursorIsForIsDurableTogetherWithItsPlace(t *testing.T) {
	dir := t.TempDir()
	j := open(t, Options{Dir: dir, idleAfter: time.Hour})
	entries := appendN(t, j, "b-12", 5)
	ctx := context.Background()
	if goal, err := j.Goal("files"); goal != "" || err != nil {
		t.Errorf("a cursor that nobody settled is for %q, %v", goal, err)
	}
	must(t, j.Settle(ctx, "files", 0, "files /srv/a"))
	must(t, j.SetCursor("files", 5))
	must(t, j.Park(ctx, "files", entries[1], &record.Parked{Sink: "files", Entry: 2, Stamp: moved(0, 0).Stamp}))
	must(t, j.Park(ctx, "other", entries[2], &record.Parked{Sink: "other", Entry: 3, Stamp: moved(0, 0).Stamp}))
	if n, notice, err := j.SetAside("files"); n != 1 || notice != 6 || err != nil {
		t.Errorf("set aside: %d, told by %d, %v", n, notice, err)
	}
	must(t, j.Settle(ctx, "files", 0, "files /srv/b", moved(5, 0)))
	// What Settle acknowledged is on the disk, although the journal is neither idle nor closed.
	stored(t, dir, "SELECT seq FROM cursors WHERE name = 'files'", 0)
	stored(t, dir, "SELECT count(*) FROM meta WHERE name = 'goal/files' AND value = 'files /srv/b'", 1)
	stored(t, dir, "SELECT count(*) FROM entries WHERE seq = 8 AND CAST(json AS TEXT) LIKE '{\"schema\":\"weighpost.sink-moved/1\"%'", 1)
	stored(t, dir, "SELECT count(*) FROM parked", 1)
	must(t, j.Close())
	verifyClean(t, dir)
	j = open(t, Options{Dir: dir})
	at, _ := j.Cursor("files")
	goal, _ := j.Goal("files")
	if at != 0 || goal != "files /srv/b" {
		t.Errorf("after a restart: at %d for %q", at, goal)
	}
	if n, _, _ := j.SetAside("files"); n != 0 {
		t.Errorf("%d are parked that come again", n)
	}
	if n, _, _ := j.SetAside("other"); n != 1 {
		t.Errorf("another reader has %d parked", n)
	}
}

func TestSettleRefusesWhatCannotBe(t *testing.T) {
	j := open(t, Options{Dir: t.TempDir()})
	appendN(t, j, "b-12", 1)
	ctx := context.Background()
	for _, c := range []struct {
		name, goal string
		seq        uint64
		want       string
	}{
		{"", "files /srv/a", 0, "name has 1 to 128"},
		{"files", "", 0, "1 to 4096 bytes"},
		{"files", strings.Repeat("x", 4097), 0, "1 to 4096 bytes"},
		{"files", "\xff", 0, "UTF-8"},
		{"files", "files /srv/a", 2, "ends with entry 1"},
	} {
		if err := j.Settle(ctx, c.name, c.seq, c.goal); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q, %.20q, %d: %v; want %q", c.name, c.goal, c.seq, err, c.want)
		}
	}
	must(t, j.Close())
	if err := j.Settle(ctx, "files", 0, "files /srv/a"); !errors.Is(err, ErrClosed) {
		t.Errorf("after Close: %v", err)
	}
}

// sickHead is a disk on which the head file cannot be synced while it is sick.
type sickHead struct {
	osDisk
	sick *atomic.Bool
}

func (d sickHead) Open(name string, mode fs.FileMode) (diskFile, error) {
	f, err := d.osDisk.Open(name, mode)
	if err == nil && filepath.Base(name) == headName {
		f = sickFile{f, d.sick}
	}
	return f, err
}

type sickFile struct {
	diskFile
	sick *atomic.Bool
}

func (f sickFile) Sync() error {
	if f.sick.Load() {
		return errors.New("I/O error")
	}
	return f.diskFile.Sync()
}

// TestASettleThatWasNotAcknowledgedIsUndone breaks the write of the head, after the commit: whoever asked was told that
// nothing happened, so nothing may have.
func TestASettleThatWasNotAcknowledgedIsUndone(t *testing.T) {
	for name, before := range map[string]string{"files": "files /srv/a", "fresh": ""} {
		t.Run(name, func(t *testing.T) { settleOnASickDisk(t, name, before) })
	}
}

func settleOnASickDisk(t *testing.T, name, before string) {
	dir := t.TempDir()
	disk := sickHead{sick: new(atomic.Bool)}
	j := open(t, Options{Dir: dir, disk: disk, retryMin: time.Millisecond, retryMax: time.Millisecond})
	entries := appendN(t, j, "b-12", 5)
	ctx := context.Background()
	must(t, j.Settle(ctx, "files", 0, "files /srv/a"))
	must(t, j.Park(ctx, "files", entries[4], &record.Parked{Sink: "files", Entry: 5, Stamp: moved(0, 0).Stamp}))
	count := func(goal string, n int64) {
		t.Helper()
		stored(t, dir, "SELECT count(*) FROM meta WHERE name = 'goal/"+name+"' AND value = '"+goal+"'", n)
	}
	disk.sick.Store(true)
	if err := j.Settle(ctx, name, 0, "files /srv/b", moved(5, 0)); !errors.Is(err, ErrStopped) {
		t.Fatalf("Settle without a head: %v", err)
	}
	count("files /srv/b", 1) // it did get that far
	disk.sick.Store(false)
	for j.Stopped() != nil {
		time.Sleep(time.Millisecond)
	}
	at, _ := j.Cursor("files")
	goal, _ := j.Goal(name)
	if at != 5 || goal != before {
		t.Errorf("at %d, %s is for %q", at, name, goal)
	}
	stored(t, dir, "SELECT seq FROM cursors WHERE name = 'files'", 5)
	count("files /srv/b", 0)
	stored(t, dir, "SELECT count(*) FROM meta WHERE name = 'goal/files' AND value = 'files /srv/a'", 1)
	stored(t, dir, "SELECT count(*) FROM parked", 1)
	must(t, j.Close())
	verifyClean(t, dir)
}
