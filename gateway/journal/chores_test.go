package journal

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/ncruces/go-sqlite3"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// stored asks journal.db for one number, while the journal is open, until it is as wanted.
func stored(t *testing.T, dir, sql string, want int64) {
	t.Helper()
	db, err := openReader(osDisk{}, filepath.Join(dir, dbName))
	must(t, err)
	defer db.Close()
	got := int64(-1)
	for end := time.Now().Add(time.Minute); got != want && time.Now().Before(end); time.Sleep(2 * time.Millisecond) {
		must(t, query(db, sql, nil, func(row *sqlite3.Stmt) error {
			got = row.ColumnInt64(0)
			return nil
		}))
	}
	if got != want {
		t.Errorf("%s gives %d, want %d", sql, got, want)
	}
}

func TestCursorsAreWrittenWhenIdleAndWithTheNextCommit(t *testing.T) {
	dir := t.TempDir()
	j := open(t, Options{Dir: dir, idleAfter: 20 * time.Millisecond})
	appendN(t, j, "b-12", 5)
	must(t, j.SetCursor("files", 3))
	stored(t, dir, "SELECT max(seq) FROM cursors WHERE name = 'files'", 3) // nobody appends
	must(t, j.Close())

	j = open(t, Options{Dir: dir, idleAfter: time.Hour})
	must(t, j.SetCursor("files", 4))
	appendN(t, j, "b-12", 1)
	stored(t, dir, "SELECT max(seq) FROM cursors WHERE name = 'files'", 4) // never idle
	must(t, j.SetCursor("files", 6))
	must(t, j.Close())
	j = open(t, Options{Dir: dir})
	if at, _ := j.Cursor("files"); at != 6 {
		t.Errorf("after Close the cursor is at %d", at)
	}
}

func TestTheWALIsCopiedBackWhenIdleAndWhenItIsLarge(t *testing.T) {
	t.Parallel()
	size := func(dir string) int64 {
		info, err := os.Stat(filepath.Join(dir, dbName))
		must(t, err)
		return info.Size()
	}
	grows := func(dir string, from int64) bool {
		for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(2 * time.Millisecond) {
			if size(dir) > from {
				return true
			}
		}
		return false
	}
	dir := t.TempDir()
	j := open(t, Options{Dir: dir, idleAfter: 20 * time.Millisecond})
	empty := size(dir)
	appendN(t, j, "b-12", 20)
	if !grows(dir, empty) {
		t.Error("journal.db did not grow although nothing was appended any more")
	}
	busy := t.TempDir()
	j = open(t, Options{Dir: busy, idleAfter: time.Hour, foldAt: 256 << 10})
	for range 300 {
		appendN(t, j, "b-12", 1)
	}
	if size(busy) < 200<<10 {
		t.Errorf("journal.db has %d bytes after 300 weighings and a WAL that may hold 256 KiB", size(busy))
	}
	if info, err := os.Stat(filepath.Join(busy, dbName+walSuffix)); err != nil || info.Size() > 1<<20 {
		t.Errorf("the WAL: %d bytes, %v", info.Size(), err)
	}
}

func TestCheckpointIsASignedNoteOfTheHead(t *testing.T) {
	dir, ctx := t.TempDir(), context.Background()
	j := open(t, Options{Dir: dir})
	text, err := os.ReadFile(filepath.Join(dir, pubName))
	must(t, err)
	key, err := note.NewVerifier(strings.TrimSpace(string(text)))
	must(t, err)
	var at edge
	for size := range uint64(4) {
		seq, signed, err := j.Checkpoint(ctx)
		if err != nil || seq != size {
			t.Fatalf("checkpoint of %d, %v; want %d", seq, err, size)
		}
		n, err := note.Open(signed, note.VerifierList(key))
		must(t, err)
		root, err := at.root()
		must(t, err)
		// C2SP tlog-checkpoint: origin, size in decimal, root in base64, each ended by a newline.
		if want := "weighpost/north-lab/" + j.Incarnation() + "\n" + string('0'+rune(size)) + "\n" + root.String() + "\n"; n.Text != want {
			t.Errorf("the note says\n%q, want\n%q", n.Text, want)
		}
		if _, again, err := j.Checkpoint(ctx); err != nil || string(again) != string(signed) {
			t.Errorf("the head did not move, and the checkpoint changed (%v)", err)
		}
		e := appendN(t, j, "b-12", 1)[0]
		_, err = at.add(tlog.RecordHash(e.JSON))
		must(t, err)
	}
}

func TestCheckpointsAreSignedWhileTheHeadMoves(t *testing.T) {
	dir := t.TempDir()
	j := open(t, Options{Dir: dir, signEvery: 20 * time.Millisecond})
	appendN(t, j, "b-12", 1)
	stored(t, dir, "SELECT max(seq) FROM checkpoints", 1)
	appendN(t, j, "b-12", 1)
	stored(t, dir, "SELECT max(seq) FROM checkpoints", 2)
	stored(t, dir, "SELECT count(*) FROM checkpoints", 2) // and none while it stands still
}

func TestAnOldSQLiteIsRefused(t *testing.T) {
	for have, older := range map[string]bool{"3.51.3": false, "3.51.2": true, "3.9.9": true, "3.52.0": false, "4.0.0": false, "": true} {
		if olderVersion(have, oldestSQLite) != older {
			t.Errorf("%q older than %s: want %v", have, oldestSQLite, older)
		}
	}
}

func TestIncarnationsAreWellFormedAndDiffer(t *testing.T) {
	seen := map[string]bool{}
	for range 20 {
		inc, err := newIncarnation()
		must(t, err)
		if len(inc) != 5 || strings.ToLower(inc) != inc || strings.Contains(inc, "/") || seen[inc] {
			t.Errorf("incarnation %q", inc)
		}
		seen[inc] = true
	}
}
