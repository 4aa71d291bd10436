package journal

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/gateway/record"
)

// notices turns what the journal says of itself into entries, as the daemon does.
func notices(n Notice) record.Body {
	e := &record.RecordingState{Stopped: n.Stopped, Cause: n.Cause.Error(), Stamp: record.Stamp{UTC: record.UTC(time.Now().UTC()), Clock: record.ClockUnchecked}}
	if n.Reserve > 0 {
		e.Free, e.Reserve = &n.Free, &n.Reserve
	}
	return e
}

// fillUp writes a file until so many bytes are left on its disk.
func fillUp(t *testing.T, name string, leave uint64) {
	t.Helper()
	f, err := os.Create(name)
	must(t, err)
	defer f.Close()
	piece := make([]byte, pageSize)
	for {
		free, err := freeOn(filepath.Dir(name))
		must(t, err)
		if free <= leave {
			return
		}
		if _, err := f.Write(piece[:min(uint64(len(piece)), free-leave)]); err != nil {
			if errors.Is(err, syscall.ENOSPC) {
				return
			}
			t.Fatal(err)
		}
	}
}

// Another program takes the space away, in part and to the last byte. Recording stops with an entry that says why, nothing
// that was acknowledged is lost, and with space again recording resumes by itself with another.
func TestTheReasonIsRecordedOnADiskThatIsFull(t *testing.T) {
	needs.That(t, os.Geteuid() == 0, "root, to mount a small tmpfs")
	for name, leave := range map[string]uint64{"less than the reserve is left": 900 << 10, "nothing is left": 0} {
		t.Run(name, func(t *testing.T) {
			at := t.TempDir()
			if err := syscall.Mount("tmpfs", at, "tmpfs", 0, "size=8m"); err != nil {
				needs.That(t, false, "the right to mount: "+err.Error())
			}
			defer func() { must(t, syscall.Unmount(at, 0)) }()
			dir := filepath.Join(at, "journal")
			states := make(chan bool, 1000)
			j := open(t, Options{Dir: dir, retryMin: 10 * time.Millisecond, retryMax: 50 * time.Millisecond, Reserve: 1 << 20, Notice: notices,
				OnState: func(stopped bool, _ error) { states <- stopped }})
			recorded := 0
			for range 50 {
				appendN(t, j, "b-12", 1)
				recorded++
			}
			reserve := filepath.Join(dir, reserveName)
			if is, err := os.Stat(reserve); err != nil || is.Size() != 1<<20 || taken(is) < 1<<20 {
				t.Fatalf("the reserve file: %v, %v", is, err)
			}
			if room, err := j.Room(dir); err != nil || room > 6<<20 || room < 2<<20 {
				t.Errorf("room for others: %d, %v", room, err)
			}
			fillUp(t, filepath.Join(at, "other"), leave)
			var err error
			for range 10_000 { // what the WAL's file has room for still goes in
				if _, err = j.Append(context.Background(), weighing("b-12", recorded)); err != nil {
					break
				}
				recorded++
				time.Sleep(time.Millisecond)
			}
			if !errors.Is(err, ErrStopped) || !<-states {
				t.Fatalf("after %d: %v", recorded, err)
			}
			if leave > 0 && !strings.Contains(err.Error(), "are kept for recording") {
				t.Errorf("it was SQLite that met the end of the disk: %v", err)
			}
			if room, err := j.Room(dir); err != nil || room >= 0 {
				t.Errorf("room for others on a full disk: %d, %v", room, err)
			}
			head := j.Head()
			e := lastEntry(t, j)
			if head != uint64(recorded)+1 || e.Kind != record.KindRecordingStopped {
				t.Fatalf("%d recorded, head %d, last %s", recorded, head, e.JSON)
			}
			var said record.RecordingState
			must(t, json.Unmarshal(e.JSON, &said))
			if said.Cause == "" || said.Reserve == nil || *said.Reserve != 1<<20 || said.Free == nil || *said.Free > 1<<20 {
				t.Errorf("the entry says %s", e.JSON)
			}
			time.Sleep(200 * time.Millisecond)
			if j.Head() != head || j.Stopped() == nil {
				t.Errorf("on the full disk the head went on to %d", j.Head())
			}
			must(t, os.Remove(filepath.Join(at, "other")))
			for stopped := true; stopped; {
				select {
				case stopped = <-states:
				case <-time.After(20 * time.Second):
					t.Fatal("recording did not resume by itself")
				}
			}
			if e := lastEntry(t, j); e.Kind != record.KindRecordingResumed || e.Seq != head+1 {
				t.Errorf("after: %s", e.JSON)
			}
			if is, err := os.Stat(reserve); err != nil || taken(is) < 1<<20 {
				t.Errorf("the reserve file is not there again: %v", err)
			}
			appendN(t, j, "b-12", 10)
			must(t, j.Close())
			if r := verifyClean(t, dir); r.Entries != uint64(recorded)+12 {
				t.Errorf("%d entries, want %d", r.Entries, recorded+12)
			}
		})
	}
}

func lastEntry(t *testing.T, j *Journal) record.Entry {
	t.Helper()
	got, err := j.Read(context.Background(), j.Head()-1, 1)
	if err != nil || len(got) != 1 {
		t.Fatalf("%v, %v", got, err)
	}
	return got[0]
}

// A little more space than would stop recording again is no reason to resume.
func TestRecordingResumesOnlyWithSpaceToSpare(t *testing.T) {
	free := make(chan uint64, 1)
	set := func(bytes uint64) {
		select {
		case <-free:
		default:
		}
		free <- bytes
	}
	set(1 << 30)
	dir := t.TempDir()
	j := open(t, Options{Dir: dir, retryMin: time.Millisecond, retryMax: 5 * time.Millisecond, Reserve: 1 << 20, Notice: notices,
		free: func(string) (uint64, error) { v := <-free; free <- v; return v, nil }})
	appendN(t, j, "b-12", 3)
	set(1<<20 - 1)
	time.Sleep(roomEvery)
	if _, err := j.Append(context.Background(), weighing("b-12", 4)); !errors.Is(err, ErrStopped) ||
		!strings.Contains(err.Error(), "1 MiB are kept for recording") {
		t.Fatalf("with less than the reserve: %v", err)
	}
	if e := lastEntry(t, j); e.Kind != record.KindRecordingStopped || e.Seq != 4 {
		t.Errorf("last: %s", e.JSON)
	}
	set(1<<20 + 1<<18)
	time.Sleep(100 * time.Millisecond)
	if j.Stopped() == nil {
		t.Error("resumed with hardly more than the reserve")
	}
	set(2 << 20)
	for limit := time.Now().Add(10 * time.Second); j.Stopped() != nil; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatal("not resumed")
		}
	}
	appendN(t, j, "b-12", 1)
	j.SetReserve(0)
	time.Sleep(roomEvery)
	appendN(t, j, "b-12", 1)
	if _, err := os.Stat(filepath.Join(dir, reserveName)); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("without a reserve its file: %v", err)
	}
}
