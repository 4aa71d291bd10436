package journal

import (
	"bytes"
	"context"
	"flag"
	"os"
	"path/filepath"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// Each released version leaves one small journal behind, which every later one must open, verify and read. They are made
// once, with -keep FOLDER, and never again.
const keptJournals = "../../testdata/journals"

var keep = flag.String("keep", "", "make the journal that this version leaves behind, in a new folder")

func TestKeptJournalsOpenAndVerify(t *testing.T) {
	if *keep != "" {
		makeKept(t, *keep)
	}
	kept, err := filepath.Glob(filepath.Join(keptJournals, "v*"))
	must(t, err)
	if len(kept) == 0 {
		t.Fatal("there is no kept journal")
	}
	for _, from := range kept {
		t.Run(filepath.Base(from), func(t *testing.T) {
			dir := copyDir(t, from)
			before := verifyClean(t, dir)
			want, err := os.ReadFile(filepath.Join(from, "entries.ndjson"))
			must(t, err)
			j := open(t, Options{Dir: dir})
			entries, err := j.Read(context.Background(), 0, 1000)
			must(t, err)
			var got bytes.Buffer
			for _, e := range entries {
				got.Write(append(bytes.Clone(e.JSON), 0x0a))
			}
			if !bytes.Equal(got.Bytes(), want) {
				t.Errorf("its entries are not those in entries.ndjson:\n%s", got.Bytes())
			}
			next := appendN(t, j, "b-12", 1)[0]
			if want := record.EntryID("north-lab", before.Incarnation, "b-12", 4); next.ID != want || next.Seq != before.Entries+1 {
				t.Errorf("the next weighing is %s, entry %d; want %s", next.ID, next.Seq, want)
			}
			must(t, j.Close())
			verifyClean(t, dir)
		})
	}
}

// makeKept makes a journal with an entry of every kind, a checkpoint, cursors and a parked entry.
func makeKept(t *testing.T, dir string) {
	ctx := context.Background()
	j := open(t, Options{Dir: dir})
	about := record.About{ID: "b-12"}
	soft := record.Software{Version: "0.0.0-dev", Config: "sha256:2c26b46b68ffc68ff99b453c1d30413413422d706483bfa0f98a5e886266e7ae"}
	tick := 0
	stamp := func() record.Stamp {
		tick++
		return record.Stamp{UTC: record.UTC(time.Date(2026, 11, 25, 10, 4, tick, 123456000, time.UTC)), Zone: "+01:00", Clock: record.ClockUnchecked}
	}
	result := weighing("b-12", 3)
	result.Value = record.Value{Digits: "48", PrintedUnit: "pcs", Kind: "net", Stability: "stable", Range: "in"}
	bodies := []record.Body{
		&record.Lifecycle{Started: true, Software: soft, Balances: []record.Balance{weighing("b-12", 0).Balance}, Stamp: stamp()},
		&record.PortChange{Balance: about, Port: "/dev/ttyUSB0", Up: true, Times: 1, Stamp: stamp()},
		weighing("b-12", 1), weighing("b-7", 1), weighing("b-12", 2),
		&record.Result{Weighing: *result},
		&record.Unread{Balance: about, Frame: []byte("\x1b[0m?? \r\n"), Reason: "no line of the layout fits", Port: "/dev/ttyUSB0", Stamp: stamp(), Software: soft},
		&record.UnreadSummary{Balance: about, From: stamp(), To: stamp(), Frames: 311, Bytes: 4043, Sample: []byte("<&>\r\n"), Reason: "no line of the layout fits"},
		&record.PortChange{Balance: about, Port: "/dev/ttyUSB0", Why: "the adapter was unplugged", Times: 1, Dropped: 7, Stamp: stamp()},
		&record.Gap{Balance: about, Readings: 5, From: stamp(), To: stamp(), Why: "the disk was full"},
		&record.SinkState{Sink: "lims", Stopped: true, Why: "401 Unauthorized", Stamp: stamp()},
		&record.SinkState{Sink: "lims", Stamp: stamp()},
	}
	for _, body := range bodies {
		if _, err := j.Append(ctx, body); err != nil {
			t.Fatal(err)
		}
		if _, _, err := j.Checkpoint(ctx); err != nil {
			t.Fatal(err)
		}
	}
	e, err := j.Read(ctx, 3, 1)
	must(t, err)
	must(t, j.Park(ctx, "lims", e[0], &record.Parked{Sink: "lims", Entry: 4, EntryID: e[0].ID, Why: "422: lot is closed", Stamp: stamp()}))
	must(t, j.SetCursor("files", 9))
	_, err = j.Append(ctx, &record.Lifecycle{Software: soft, Stamp: stamp()})
	must(t, err)
	all, err := j.Read(ctx, 0, 1000)
	must(t, err)
	var text bytes.Buffer
	for _, e := range all {
		text.Write(append(bytes.Clone(e.JSON), 0x0a))
	}
	must(t, j.Close())
	must(t, os.WriteFile(filepath.Join(dir, "entries.ndjson"), text.Bytes(), 0o644))
	must(t, os.Remove(filepath.Join(dir, lockName)))
}
