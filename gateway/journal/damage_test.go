package journal

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/record"
)

// killed makes a journal as a kill leaves it: all entries in the WAL, none copied back, no clean end.
func killed(t *testing.T, entries int) string {
	t.Helper()
	dir := t.TempDir()
	j := open(t, Options{Dir: dir, idleAfter: time.Hour})
	appendN(t, j, "b-12", entries)
	return copyDir(t, dir)
}

func TestAWALThatLostAcknowledgedEntriesIsRefusedUntouched(t *testing.T) {
	t.Parallel()
	good := killed(t, 100)
	wal := func(dir string) string { return filepath.Join(dir, dbName+walSuffix) }
	for _, c := range []struct {
		name string
		do   func(t *testing.T, dir string)
	}{
		{"one bit flipped at half length", func(t *testing.T, dir string) {
			spoil(t, wal(dir), func(b []byte) []byte { b[len(b)/2] ^= 1; return b })
		}},
		{"trimmed by 5,000 bytes", func(t *testing.T, dir string) {
			spoil(t, wal(dir), func(b []byte) []byte { return b[:len(b)-5000] })
		}},
		{"emptied", func(t *testing.T, dir string) { spoil(t, wal(dir), func([]byte) []byte { return nil }) }},
		{"removed", func(t *testing.T, dir string) { must(t, os.Remove(wal(dir))) }},
		{"its header damaged", func(t *testing.T, dir string) {
			spoil(t, wal(dir), func(b []byte) []byte { b[17] ^= 8; return b })
		}},
		{"swapped with that of another journal", func(t *testing.T, dir string) {
			other, err := os.ReadFile(wal(killed(t, 100)))
			must(t, err)
			must(t, os.WriteFile(wal(dir), other, 0o640))
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := copyDir(t, good)
			c.do(t, dir)
			before := snapshot(t, dir)
			_, err := Open(context.Background(), Options{Dir: dir, Site: "north-lab"})
			if err == nil || !strings.Contains(err.Error(), "Nothing was changed") {
				t.Errorf("Open: %v", err)
			}
			if r, err := Verify(context.Background(), dir, "", nil); err != nil || r.Verified {
				t.Errorf("Verify: %v\n%s", err, r.Text())
			}
			if after := snapshot(t, dir); after != before {
				t.Errorf("the files were touched:\n%s\nbefore:\n%s", after, before)
			}
		})
	}
	t.Run("a torn last write", func(t *testing.T) { // was never acknowledged, and is no damage
		dir := copyDir(t, good)
		spoil(t, wal(dir), func(b []byte) []byte { return append(b, b[len(b)-4120:len(b)-77]...) })
		verifyClean(t, dir)
		if j := open(t, Options{Dir: dir}); j.Head() != 100 {
			t.Errorf("head %d", j.Head())
		}
	})
}

func TestHeadSurvivesAWriteThatIsCutShort(t *testing.T) {
	dir := specimen(t)
	name := filepath.Join(dir, headName)
	file, err := os.ReadFile(name)
	must(t, err)
	newest, err := decodeHead(file)
	must(t, err)
	torn := int(newest.generation+1) % 2 * headBlock // the slot that the next write goes to
	for cut := range headSlot {
		half := append([]byte(nil), file...)
		next := headState{generation: newest.generation + 1, seq: newest.seq + 1, incarnation: newest.incarnation}.encode()
		copy(half[torn:], next[:cut])
		if got, err := decodeHead(half); err != nil || got != newest {
			t.Fatalf("after %d bytes: %+v, %v", cut, got, err)
		}
	}
}

func TestAJournalWhoseMakingWasCutShortIsCompleted(t *testing.T) {
	t.Parallel()
	made := t.TempDir()
	must(t, stage(osDisk{}, filepath.Join(made, stageName), "north-lab", "FULL"))
	moves := []string{keyName, pubName, headName, dbName}
	for done := range len(moves) + 1 {
		dir := copyDir(t, made)
		for _, name := range moves[:done] {
			must(t, os.Rename(filepath.Join(dir, stageName, name), filepath.Join(dir, name)))
		}
		j := open(t, Options{Dir: dir})
		appendN(t, j, "b-12", 1)
		must(t, j.Close())
		verifyClean(t, dir)
	}
	t.Run("before all was there", func(t *testing.T) {
		dir := copyDir(t, made)
		must(t, os.Rename(filepath.Join(dir, stageName, dbName), filepath.Join(dir, stageName, "building.db")))
		j := open(t, Options{Dir: dir})
		appendN(t, j, "b-12", 1)
	})
}

func TestALostKeyIsNotReplacedInSilence(t *testing.T) {
	dir := specimen(t)
	must(t, os.Remove(filepath.Join(dir, keyName)))
	_, err := Open(context.Background(), Options{Dir: dir, Site: "north-lab"})
	if err == nil || !strings.Contains(err.Error(), "has lost its key file") {
		t.Errorf("Open: %v", err)
	}
}

func TestAnUnreadableEntryIsNeverHandedOut(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	j := open(t, Options{Dir: dir})
	for range 12 {
		bodies := make([]record.Body, 100)
		for i := range bodies {
			bodies[i] = weighing("b-12", i)
		}
		_, err := j.Append(context.Background(), bodies...)
		must(t, err)
	}
	must(t, j.Close())
	edit(t, dir, "UPDATE entries SET json = CAST(replace(CAST(json AS TEXT), 'confirmed', 'unconfirmed') AS BLOB) WHERE seq = 20")
	j = open(t, Options{Dir: dir}) // the start looks at the last 1,000
	entries, err := j.Read(context.Background(), 0, 19)
	if err != nil || len(entries) != 19 {
		t.Errorf("the entries before: %d, %v", len(entries), err)
	}
	if _, err := j.Read(context.Background(), 0, 100); err == nil || !strings.Contains(err.Error(), "entry 20 is not what was recorded") {
		t.Errorf("the entry itself: %v", err)
	}
}

func TestMigrationIsOneTransactionAndANewerJournalIsRefused(t *testing.T) {
	second := append(append([]string(nil), steps...), "CREATE TABLE more(x INTEGER); INSERT INTO more SELECT seq FROM entries")
	broken := append(append([]string(nil), second...), "CREATE TABLE other(x); INSERT INTO nowhere VALUES(1)")
	ctx, dir := context.Background(), specimen(t)
	before := verifyClean(t, dir)

	_, err := Open(ctx, Options{Dir: dir, Site: "north-lab", steps: broken})
	if err == nil || !strings.Contains(err.Error(), fmt.Sprintf("bringing journal.db to version %d", len(broken))) {
		t.Fatalf("a broken step: %v", err)
	}
	if after := verifyClean(t, dir); after.Root != before.Root || after.Version != len(steps) {
		t.Errorf("after a broken step: version %d", after.Version)
	}
	j := open(t, Options{Dir: dir, steps: second})
	must(t, j.Close())
	files := snapshot(t, dir)
	_, err = Open(ctx, Options{Dir: dir, Site: "north-lab"})
	if err == nil || !strings.Contains(err.Error(), fmt.Sprintf("written by a newer weighpost (version %d; this one knows up to %d)", len(second), len(steps))) {
		t.Errorf("a newer journal: %v", err)
	}
	if snapshot(t, dir) != files {
		t.Error("a newer journal was touched")
	}
	if _, err := Verify(ctx, dir, "", nil); err == nil {
		t.Error("Verify judges a newer journal")
	}
}

// The edge that is read from stored hashes is the one that was built, at every size.
func TestEdgesCanBeReadBackAtEverySize(t *testing.T) {
	j := open(t, Options{Dir: t.TempDir()})
	entries := appendN(t, j, "b-12", 70)
	must(t, j.Close())
	db, err := openLook(osDisk{}, filepath.Join(j.o.Dir, dbName))
	must(t, err)
	defer db.Close()
	var at edge
	for i, e := range entries {
		_, err := at.add(tlog.RecordHash(e.JSON))
		must(t, err)
		read, err := loadEdge(db, uint64(i+1))
		if err != nil || read != at {
			t.Fatalf("size %d: %v", i+1, err)
		}
	}
	if _, err := loadEdge(db, 71); err == nil {
		t.Error("an edge was read for more entries than there are")
	}
}
