package export_test

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/ncruces/go-sqlite3"

	"weighpost/gateway/export"
	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/record"
)

// many are n weighings to append at once.
func many(n int) (list []record.Body) {
	for i := range n {
		list = append(list, weighing(i, "12.3450", "g", "LOT-1003"))
	}
	return list
}

// inFolder lists what is in a folder, hidden files too.
func inFolder(t testing.TB, dir string) (names []string) {
	t.Helper()
	list, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range list {
		names = append(names, f.Name())
	}
	return names
}

// alter runs a statement on the journal.db of a closed journal, as somebody with a tool would.
func alter(t testing.TB, dir, sql string) {
	t.Helper()
	db, err := sqlite3.Open(filepath.Join(dir, "journal.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if err := db.Exec(sql); err != nil {
		t.Fatal(err)
	}
	if db.Changes() != 1 {
		t.Fatalf("%s changed %d rows", sql, db.Changes())
	}
}

// TestADamagedJournalIsNotExported: whatever was done to it, there is a sentence and no file.
func TestADamagedJournalIsNotExported(t *testing.T) {
	t.Parallel()
	whole := mixed(t)
	for _, c := range []struct{ name, sql, says string }{
		{"a digit was edited", `UPDATE entries SET json = CAST(replace(CAST(json AS TEXT), '"kind":"net"', '"kind":"gro"') AS BLOB) WHERE seq = 20`,
			"its first 53 entries are not those of its "},
		{"an entry is no JSON", `UPDATE entries SET json = x'7B7B' WHERE seq = 20`, "an entry cannot be read"},
		{"an entry was deleted", `DELETE FROM entries WHERE seq = 20`, "has no entry 20: 21 follows 19"},
		{"the last entry was deleted", `DELETE FROM entries WHERE seq = 53`, "ends with entry 52, and 53 were acknowledged"},
	} {
		for _, f := range export.Formats() {
			t.Run(c.name+", "+f, func(t *testing.T) {
				dir, to := t.TempDir(), t.TempDir()
				if err := os.CopyFS(dir, os.DirFS(whole)); err != nil {
					t.Fatal(err)
				}
				alter(t, dir, c.sql)
				src, err := export.Open(context.Background(), dir)
				if err == nil {
					_, err = export.ToFile(context.Background(), src, request(export.Format(f)), filepath.Join(to, "x"), false)
				}
				if err == nil || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), "weighpost journal verify") && !strings.Contains(c.sql, "x'7B7B'") {
					t.Errorf("%v", err)
				}
				if left := inFolder(t, to); len(left) > 0 {
					t.Errorf("there is %v", left)
				}
			})
		}
	}
}

// TestDamageThatComesWhileTheJournalIsExported is found too, and what was written is not called whole.
func TestDamageThatComesWhileTheJournalIsExported(t *testing.T) {
	t.Parallel()
	dir, to := mixed(t), t.TempDir()
	src, err := export.Open(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	passes := 0
	spoiled := spoiler{src, func() {
		if passes++; passes == 2 {
			alter(t, dir, `UPDATE entries SET json = CAST(replace(CAST(json AS TEXT), '"kind":"net"', '"kind":"gro"') AS BLOB) WHERE seq = 20`)
		}
	}}
	_, err = export.ToFile(context.Background(), spoiled, request(export.CSV), filepath.Join(to, "x.csv"), false)
	var differs *export.Differs
	if !errors.As(err, &differs) || len(inFolder(t, to)) > 0 {
		t.Errorf("%v; there is %v", err, inFolder(t, to))
	}
}

// spoiler does something before each pass over a journal.
type spoiler struct {
	export.Source
	do func()
}

func (s spoiler) Each(ctx context.Context, each func(record.Entry) error) error {
	s.do()
	return s.Source.Each(ctx, each)
}

// TestADamagedEntryEndsAnExportOfTheRunningJournal: the daemon's own reading names it.
func TestADamagedEntryEndsAnExportOfTheRunningJournal(t *testing.T) {
	t.Parallel()
	j := journaltest.Open(t, journal.Options{})
	if _, err := j.Append(context.Background(), many(30)...); err != nil {
		t.Fatal(err)
	}
	src, err := export.Live(context.Background(), rotten{j, 20})
	if err != nil {
		t.Fatal(err)
	}
	var bad *journal.Damaged
	if _, err := export.Write(context.Background(), io.Discard, src, request(export.CSV)); !errors.As(err, &bad) {
		t.Errorf("%v", err)
	}
}

// rotten is a journal of which one entry is not what was recorded.
type rotten struct {
	*journal.Journal
	seq uint64
}

func (r rotten) Read(ctx context.Context, after uint64, most int) ([]record.Entry, error) {
	if after < r.seq && r.seq <= after+uint64(most) {
		return nil, &journal.Damaged{What: "entry 20 is not what was recorded (leaf hash differs)"}
	}
	return r.Journal.Read(ctx, after, most)
}

// TestAnExportEndsWhereTheJournalEndedWhenItBegan while a daemon goes on writing.
func TestAnExportEndsWhereTheJournalEndedWhenItBegan(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	j := journaltest.Open(t, journal.Options{Dir: dir})
	add := func(n int) {
		if _, err := j.Append(context.Background(), many(n)...); err != nil {
			t.Fatal(err)
		}
	}
	add(700) // more than is read at once
	src, err := export.Open(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	growing := spoiler{src, func() { add(20) }}
	to := filepath.Join(t.TempDir(), "x.ndjson")
	m, err := export.ToFile(context.Background(), growing, request(export.NDJSON), to, false)
	if err != nil || m.Head != 700 || m.Entries != 700 || m.Last != 700 || m.Beyond != 700-m.Signed {
		t.Fatalf("%+v %v", m, err)
	}
	later, err := export.Open(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	v, err := export.Validate(context.Background(), to+export.ManifestSuffix, "", export.Check{Journal: later, Version: "test"})
	if err != nil || !v.Valid || later.About().Head != 740 {
		t.Errorf("%+v %v, head %d", v, err, later.About().Head)
	}
}

// TestAReaderThatIsGoneEndsAnExport on a pipe.
func TestAReaderThatIsGoneEndsAnExport(t *testing.T) {
	t.Parallel()
	src, err := export.Open(context.Background(), mixed(t))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range export.Formats() {
		r, w, err := os.Pipe()
		if err != nil {
			t.Fatal(err)
		}
		r.Close()
		m, err := export.Write(context.Background(), w, src, request(export.Format(f)))
		if !errors.Is(err, syscall.EPIPE) || m != (export.Manifest{}) {
			t.Errorf("%s: %v, %+v", f, err, m)
		}
		w.Close()
	}
}

// TestAnExportThatIsBrokenOffLeavesNothing, and one that replaces keeps the old file until the new one is whole.
func TestAnExportThatIsBrokenOffLeavesNothing(t *testing.T) {
	t.Parallel()
	src, err := export.Open(context.Background(), mixed(t))
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	name := filepath.Join(dir, "x.csv")
	if _, err := export.ToFile(context.Background(), src, request(export.CSV), name, false); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	passes := 0
	stopped := spoiler{src, func() {
		if passes++; passes == 2 {
			cancel()
		}
	}}
	_, err = export.ToFile(ctx, stopped, request(export.CSV), name, true)
	after, readErr := os.ReadFile(name)
	if !errors.Is(err, context.Canceled) || readErr != nil || string(after) != string(before) {
		t.Errorf("%v %v", err, readErr)
	}
	if left := inFolder(t, dir); !slices.Equal(left, []string{"x.csv", "x.csv" + export.ManifestSuffix}) {
		t.Errorf("there is %v", left)
	}
}

// TestProgressReachesTheEnd once, and never goes back.
func TestProgressReachesTheEnd(t *testing.T) {
	t.Parallel()
	r, last := request(export.CSV), uint64(0)
	r.Progress = func(done, total uint64) {
		if done < last || total != 3000 {
			t.Errorf("%d of %d after %d", done, total, last)
		}
		last = done
	}
	if _, err := export.Write(context.Background(), io.Discard, made{3000}, r); err != nil || last != 3000 {
		t.Errorf("%v at %d", err, last)
	}
}

// TestEmptyJournalsAndEmptyResults are exports too.
func TestEmptyJournalsAndEmptyResults(t *testing.T) {
	t.Parallel()
	none := request(export.CSV)
	none.Filter.Balance = "b-99"
	empty := filepath.Join(t.TempDir(), "journal")
	j, err := journal.Open(context.Background(), journal.Options{Dir: empty, Site: "north-lab"})
	if err == nil {
		err = j.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	full := mixed(t)
	for _, f := range export.Formats() {
		none.Format = export.Format(f)
		for what, dir := range map[string]string{"no journal entry": empty, "nothing is wanted": full} {
			name, m := toFile(t, dir, none)
			v, err := export.Validate(context.Background(), name+export.ManifestSuffix, "", withoutKey(t, dir))
			if err != nil || !v.Valid || m.Entries != 0 || m.First != 0 || m.LeftOut != m.Head {
				t.Errorf("%s, %s: %+v %+v %v", f, what, m, v, err)
			}
		}
	}
}

// withoutKey is a check with the journal and no key: an empty journal has signed nothing.
func withoutKey(t testing.TB, dir string) export.Check {
	c := key(t, dir)
	c.Key = nil
	return c
}

// TestASlowReaderHoldsUpNobody: a reader that stops reading holds no lock on a journal that is being written.
func TestASlowReaderHoldsUpNobody(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	j := journaltest.Open(t, journal.Options{Dir: dir})
	if _, err := j.Append(context.Background(), many(1200)...); err != nil {
		t.Fatal(err)
	}
	src, err := export.Open(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	seen, wal := 0, filepath.Join(dir, "journal.db-wal")
	err = src.Each(context.Background(), func(record.Entry) error {
		if seen++; seen != 600 {
			return nil
		}
		// While this reader waits in the middle of its journal, more is recorded, and all of it can be folded into journal.db.
		if _, err := j.Append(context.Background(), weighing(1, "12.3450", "g", "LOT-1003")); err != nil {
			return err
		}
		for limit := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
			if folded(t, wal) {
				return nil
			}
			if time.Now().After(limit) {
				return errors.New("the WAL is never folded while somebody reads")
			}
		}
	})
	if err != nil || seen != 1200 {
		t.Errorf("%v after %d", err, seen)
	}
}

// folded says whether a database can be taken from its file alone: no reader keeps the WAL from being copied back.
func folded(t *testing.T, wal string) bool {
	t.Helper()
	db, err := sqlite3.Open(strings.TrimSuffix(wal, "-wal"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if err := db.Exec("SELECT count(*) FROM meta"); err != nil { // SQLite looks at the WAL only then
		t.Fatal(err)
	}
	pages, copied, err := db.WALCheckpoint("", sqlite3.CHECKPOINT_PASSIVE)
	return err == nil && pages >= 0 && pages == copied
}
