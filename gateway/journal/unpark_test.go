package journal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/ncruces/go-sqlite3"

	"weighpost/gateway/record"
)

func parkedNotice(seq uint64) *record.Parked {
	return &record.Parked{Sink: "files", Entry: seq, Why: "no such lot", Stamp: moved(0, 0).Stamp}
}

func decided(dropped bool, seqs ...uint64) *record.ParkedActed {
	p := &record.ParkedActed{Dropped: dropped, Sink: "files", Reason: "a test", By: record.Actor{ID: "ada", By: record.ActorHost}, Stamp: moved(0, 0).Stamp}
	for _, seq := range seqs {
		p.Entries = append(p.Entries, record.ParkedRef{Seq: seq})
	}
	return p
}

func TestWhatIsParkedIsForgottenWithTheEntryThatSaysSo(t *testing.T) {
	dir := t.TempDir()
	j := open(t, Options{Dir: dir, idleAfter: time.Hour})
	entries := appendN(t, j, "b-12", 4)
	ctx := context.Background()
	for _, e := range entries[:3] { // notices 5, 6, 7
		must(t, j.Park(ctx, "files", e, parkedNotice(e.Seq)))
	}
	must(t, j.ParkAgain(ctx, "files", []uint64{1, 3}, decided(false, 1, 3))) // 8
	must(t, j.Unpark(ctx, "files", []uint64{2}, decided(true, 2)))           // 9
	stored(t, dir, "SELECT count(*) FROM parked WHERE notice = 8 AND seq IN (1, 3)", 2)
	stored(t, dir, "SELECT count(*) FROM parked", 2)
	stored(t, dir, "SELECT count(*) FROM entries WHERE seq = 9 AND CAST(json AS TEXT) LIKE '{\"schema\":\"weighpost.parked-dropped/1\"%'", 1)

	head := j.Head()
	var not *NotParked
	if err := j.Unpark(ctx, "files", []uint64{1, 2}, decided(true, 1, 2)); !errors.As(err, &not) || not.Seq != 2 {
		t.Errorf("dropped twice: %v", err)
	}
	if err := j.ParkAgain(ctx, "files", []uint64{4}, decided(false, 4)); !errors.As(err, &not) || not.Seq != 4 {
		t.Errorf("retried without being parked: %v", err)
	}
	if err := j.Unpark(ctx, "other", []uint64{1}, decided(true, 1)); !errors.As(err, &not) {
		t.Errorf("dropped for another sink: %v", err)
	}
	for _, seqs := range [][]uint64{nil, make([]uint64, mostUnparked+1)} {
		if err := j.Unpark(ctx, "files", seqs, decided(true)); err == nil {
			t.Errorf("%d entries at once are taken", len(seqs))
		}
	}
	if n, _, _ := j.SetAside("files"); n != 2 || j.Head() != head {
		t.Errorf("after acts that were refused: %d parked, head %d after %d", n, j.Head(), head)
	}
	must(t, j.Unpark(ctx, "files", []uint64{1, 2})) // it arrived: no entry, and what is not parked is as wanted
	if n, notice, _ := j.SetAside("files"); n != 1 || notice != 8 || j.Head() != head {
		t.Errorf("after an arrival: %d parked, by %d", n, notice)
	}
	s, err := j.Snapshot(ctx)
	if err != nil || len(s.Parked) != 1 || s.Parked[0] != (SavedParked{"files", 3, 8}) {
		t.Errorf("the snapshot has %+v, %v", s.Parked, err)
	}
	must(t, j.Close())
	verifyClean(t, dir)
}

// TestAnActAboutParkedEntriesThatWasNotAcknowledgedIsUndone breaks the write of the head, after the commit.
func TestAnActAboutParkedEntriesThatWasNotAcknowledgedIsUndone(t *testing.T) {
	for name, act := range map[string]func(j *Journal, e record.Entry) error{
		"drop": func(j *Journal, _ record.Entry) error {
			return j.Unpark(t.Context(), "files", []uint64{1, 2}, decided(true, 1, 2))
		},
		"retry": func(j *Journal, _ record.Entry) error {
			return j.ParkAgain(t.Context(), "files", []uint64{1, 2}, decided(false, 1, 2))
		},
		"again": func(j *Journal, e record.Entry) error { return j.Park(t.Context(), "files", e, parkedNotice(e.Seq)) },
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			disk := sickHead{sick: new(atomic.Bool)}
			j := open(t, Options{Dir: dir, disk: disk, retryMin: time.Millisecond, retryMax: time.Millisecond})
			entries := appendN(t, j, "b-12", 3)
			for _, e := range entries[:2] { // notices 4, 5
				must(t, j.Park(t.Context(), "files", e, parkedNotice(e.Seq)))
			}
			disk.sick.Store(true)
			if err := act(j, entries[0]); !errors.Is(err, ErrStopped) {
				t.Fatalf("without a head: %v", err)
			}
			disk.sick.Store(false)
			for j.Stopped() != nil {
				time.Sleep(time.Millisecond)
			}
			stored(t, dir, "SELECT count(*) FROM parked WHERE notice = seq + 3", 2)
			stored(t, dir, "SELECT count(*) FROM parked", 2)
			must(t, act(j, entries[0]))
			must(t, j.Close())
			verifyClean(t, dir)
		})
	}
}

// TestNoParkedEntryIsLostByAPowerCut parks, retries and drops while the power goes. After each cut every entry that was parked is
// parked still, or an entry says that it was dropped.
func TestNoParkedEntryIsLostByAPowerCut(t *testing.T) {
	t.Parallel()
	random, seed := newSeed(t)
	choices := rand.New(rand.NewPCG(seed, 2)) // its own: the disk draws from the other meanwhile
	parkedThen, droppedThen := 0, 0
	for round := range rounds(20, 300) {
		c := newCutter(t, random, "FULL")
		var acked []uint64
		c.disk.cutAt = 40 + choices.IntN(400)
		if j, err := Open(t.Context(), c.options()); err == nil {
			acked = parkUntilTheCut(j, choices.IntN)
			_ = j.Close()
		}
		c.disk = c.disk.reboot(t.TempDir())
		if there, _ := c.disk.Exists(filepath.Join(c.dir, dbName)); !there {
			continue
		}
		j, err := Open(t.Context(), c.options()) // undoes and completes what the cut left
		if err != nil {
			t.Fatalf("seed %d, cut %d: %v", seed, round, err)
		}
		must(t, j.Close())
		parked, dropped := c.parkedAndDropped(t)
		for _, seq := range acked {
			if parked[seq] == dropped[seq] {
				t.Fatalf("seed %d, cut %d: entry %d: parked %v, dropped %v", seed, round, seq, parked[seq], dropped[seq])
			}
		}
		parkedThen, droppedThen = parkedThen+len(parked), droppedThen+len(dropped)
		c.disk.unplug()
	}
	if parkedThen == 0 || droppedThen == 0 {
		t.Errorf("%d parked and %d dropped entries were left by the cuts: they come too early", parkedThen, droppedThen)
	}
	t.Logf("seed %d: %d parked, %d dropped, none lost", seed, parkedThen, droppedThen)
}

// parkUntilTheCut gives the entries of which the journal acknowledged that they are parked.
func parkUntilTheCut(j *Journal, intN func(int) int) (acked []uint64) {
	ctx := context.Background()
	var left []uint64
	for i := 0; ; i++ {
		e, err := j.Append(ctx, weighing("b-12", i))
		if err == nil {
			err = j.Park(ctx, "files", e[0], parkedNotice(e[0].Seq))
		}
		if err != nil {
			return acked
		}
		acked, left = append(acked, e[0].Seq), append(left, e[0].Seq)
		if k := intN(3); k > 0 && len(left) > 1 {
			at := intN(len(left))
			if k == 1 {
				err = j.Unpark(ctx, "files", []uint64{left[at]}, decided(true, left[at]))
				left = append(left[:at], left[at+1:]...)
			} else {
				err = j.ParkAgain(ctx, "files", []uint64{left[at]}, decided(false, left[at]))
			}
			if err != nil {
				return acked
			}
		}
	}
}

// parkedAndDropped reads what the disk holds.
func (c *cutter) parkedAndDropped(t *testing.T) (parked, dropped map[uint64]bool) {
	t.Helper()
	parked, dropped = map[uint64]bool{}, map[uint64]bool{}
	db, err := openLook(c.disk, filepath.Join(c.dir, dbName))
	must(t, err)
	defer db.Close()
	must(t, query(db, "SELECT seq FROM parked", nil, func(row *sqlite3.Stmt) error {
		parked[uint64(row.ColumnInt64(0))] = true
		return nil
	}))
	must(t, query(db, "SELECT json FROM entries", nil, func(row *sqlite3.Stmt) error {
		var e struct {
			Schema  string
			Entries []record.ParkedRef
		}
		if err := json.Unmarshal(row.ColumnBlob(0, nil), &e); err != nil {
			return fmt.Errorf("an entry: %w", err)
		}
		if e.Schema == record.KindParkedDropped.Schema() {
			for _, ref := range e.Entries {
				dropped[ref.Seq] = true
			}
		}
		return nil
	}))
	return parked, dropped
}
