package journal

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// What a start says of damage: which entry, which file and byte, and what to do. Nothing is touched.
func TestAStartNamesTheDamageAndWhatToDo(t *testing.T) {
	t.Parallel()
	whole, other := specimen(t), specimen(t)
	page := func(b []byte, mark string) int { return bytes.Index(b, []byte(mark)) / pageSize * pageSize }
	for _, c := range []struct {
		name string
		do   func(t *testing.T, dir string)
		says []string
	}{
		{"a damaged page", func(t *testing.T, dir string) {
			spoil(t, filepath.Join(dir, dbName), func(b []byte) []byte {
				at := page(b, `"seq":30,`)
				_, _ = rand.Read(b[at : at+pageSize])
				b[at] = 0
				return b
			})
		}, []string{"cannot be read: journal.db is damaged there", "(page ", " of journal.db, from byte "}},
		{"64 bytes within a page", func(t *testing.T, dir string) {
			spoil(t, filepath.Join(dir, dbName), func(b []byte) []byte {
				copy(b[bytes.Index(b, []byte(`"seq":30,`))+200:], bytes.Repeat([]byte{'7'}, 64))
				return b
			})
		}, []string{"entry 30: its bytes are not those that were recorded", "(byte ", " of journal.db, page "}},
		{"a deleted row", func(t *testing.T, dir string) { edit(t, dir, "DELETE FROM entries WHERE seq = 20") },
			[]string{"entry 20 is missing", "of journal.db, from byte"}},
		{"an edited byte", func(t *testing.T, dir string) {
			edit(t, dir, `UPDATE entries SET json = CAST(replace(CAST(json AS TEXT), '"digits":"4.', '"digits":"5.') AS BLOB) WHERE seq = 5`)
		}, []string{"entry 5: its bytes are not those that were recorded", " of journal.db, page "}},
		{"a text in place of journal.db", func(t *testing.T, dir string) {
			spoil(t, filepath.Join(dir, dbName), func([]byte) []byte { return []byte("sowing plan 2027\n") })
		}, []string{"journal.db cannot be read: it is no database"}},
		{"another program's database", func(t *testing.T, dir string) {
			must(t, os.Remove(filepath.Join(dir, dbName)))
			edit(t, dir, "CREATE TABLE seeds(lot TEXT)")
		}, []string{"journal.db is an SQLite file, but not a journal of weighpost"}},
		{"another journal's database", func(t *testing.T, dir string) {
			must(t, os.WriteFile(filepath.Join(dir, dbName), mustRead(t, filepath.Join(other, dbName)), 0o640))
		}, []string{"its file head belongs to another journal"}},
		{"another journal's key", func(t *testing.T, dir string) {
			must(t, os.WriteFile(filepath.Join(dir, keyName), mustRead(t, filepath.Join(other, keyName)), 0o600))
		}, []string{"its file \"key\" holds the key weighpost/north-lab/"}},
		{"another journal's head", func(t *testing.T, dir string) {
			must(t, os.WriteFile(filepath.Join(dir, headName), mustRead(t, filepath.Join(other, headName)), 0o640))
		}, []string{"its file head belongs to another journal"}},
		{"no head", func(t *testing.T, dir string) { must(t, os.Remove(filepath.Join(dir, headName))) },
			[]string{"its file head, which says how long journal.db must be, is missing"}},
		{"no journal.db", func(t *testing.T, dir string) { must(t, os.Remove(filepath.Join(dir, dbName))) },
			[]string{"journal.db is missing, and what belongs to it is there: head, key, key.pub"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := copyDir(t, whole)
			c.do(t, dir)
			refused(t, dir, c.says...)
		})
	}
	good := killed(t, 30)
	t.Run("another journal's WAL", func(t *testing.T) {
		dir := copyDir(t, good)
		must(t, os.WriteFile(walOf(dir), mustRead(t, walOf(killed(t, 30))), 0o640))
		refused(t, dir, "its file head belongs to another journal")
	})
	t.Run("no WAL", func(t *testing.T) {
		dir := copyDir(t, good)
		must(t, os.Remove(walOf(dir)))
		refused(t, dir, "entries are missing: 30 were acknowledged, and journal.db ends with entry 0", "its WAL (journal.db-wal) was lost")
	})
}

func refused(t *testing.T, dir string, says ...string) {
	t.Helper()
	before := snapshot(t, dir)
	_, err := Open(context.Background(), Options{Dir: dir, Site: "north-lab"})
	if err == nil {
		t.Fatal("it opens")
	}
	t.Log(err)
	for _, want := range append(says, "Nothing was changed") {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("lacks %q", want)
		}
	}
	var d *Damaged
	if errors.As(err, &d) && !strings.Contains(err.Error(), "restore the newest backup into a new one") {
		t.Error("does not say what to do")
	}
	if snapshot(t, dir) != before {
		t.Error("the files were touched")
	}
}
