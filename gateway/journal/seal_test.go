package journal

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/ncruces/go-sqlite3"

	"weighpost/gateway/record"
)

// sealDay is the day on which the tests seal: the weighings of weighing() are a year and a month old by then.
var sealDay = time.Date(2027, 12, 25, 12, 0, 0, 0, time.UTC)

func sealStamp() record.Stamp {
	return record.Stamp{UTC: record.UTC(sealDay), Zone: "+01:00", Clock: record.ClockChecked, Sources: 3}
}

func sealOptions(size uint64, places ...Place) SealOptions {
	return SealOptions{Before: sealDay.AddDate(-1, 0, 0), KeepAtLeast: 90 * 24 * time.Hour, Size: size, Places: places, Stamp: sealStamp,
		By: record.Actor{ID: "schedule", By: record.ActorSchedule}, Rule: "recorded before the day"}
}

// memory is a place for copies. It can lie, and be out of reach.
type memory struct {
	mu    sync.Mutex
	files map[string][]byte
	lies  func(name string, b []byte) []byte
	gone  error
}

func (m *memory) Where() string { return "the archive" }

func (m *memory) Store(_ context.Context, name string, r io.Reader) error {
	b, err := io.ReadAll(r)
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.gone != nil {
		return m.gone
	}
	if have, there := m.files[name]; there && !bytes.Equal(have, b) {
		return errors.New("another file has this name")
	}
	if m.files == nil {
		m.files = map[string][]byte{}
	}
	m.files[name] = b
	return err
}

func (m *memory) Fetch(_ context.Context, name string) (io.ReadCloser, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.gone != nil {
		return nil, m.gone
	}
	b, there := m.files[name]
	if !there {
		return nil, os.ErrNotExist
	}
	if m.lies != nil {
		b = m.lies(name, bytes.Clone(b))
	}
	return io.NopCloser(bytes.NewReader(b)), nil
}

// filled is a journal with n weighings of three balances, a year old.
func filled(t testing.TB, o Options, n int) *Journal {
	t.Helper()
	j := open(t, o)
	for i := 0; i < n; {
		var bodies []record.Body
		for ; len(bodies) < 100 && i < n; i++ {
			bodies = append(bodies, weighing(fmt.Sprintf("b-%d", i%3), i))
		}
		if _, err := j.Append(context.Background(), bodies...); err != nil {
			t.Fatal(err)
		}
	}
	return j
}

func readEverything(t testing.TB, j *Journal) []record.Entry {
	t.Helper()
	var all []record.Entry
	for {
		e, err := j.Read(context.Background(), uint64(len(all)), 333)
		if err != nil {
			t.Fatal(err)
		}
		if all = append(all, e...); len(e) == 0 {
			return all
		}
	}
}

func scanned(t testing.TB, dir string) []record.Entry {
	t.Helper()
	var all []record.Entry
	err := Scan(context.Background(), dir, 0, func(e record.Entry) error {
		all = append(all, e)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func sameEntries(a, b []record.Entry) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i].Seq != b[i].Seq || a[i].ID != b[i].ID || !bytes.Equal(a[i].JSON, b[i].JSON) {
			return false
		}
	}
	return true
}

func seal(t testing.TB, j *Journal, o SealOptions) Sealed {
	t.Helper()
	done, err := j.Seal(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	return done
}

func TestSealedEntriesAreReadAsBefore(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "journal")
	j := filled(t, Options{Dir: dir}, 3300)
	before := readEverything(t, j)
	archive := &memory{}
	done := seal(t, j, sealOptions(1100, archive))
	if len(done.Segments) != 2 || !strings.Contains(done.Why, "100 entries are ready, fewer than a segment of 1100") {
		t.Fatalf("%+v", done)
	}
	appendN(t, j, "b-1", 5)
	after := readEverything(t, j)
	if !sameEntries(after[:len(before)], before) {
		t.Error("after sealing, other entries are read")
	}
	if len(archive.files) != 4 {
		t.Errorf("%d files were copied", len(archive.files))
	}
	must(t, j.Close())
	if !sameEntries(scanned(t, dir), after) {
		t.Error("Scan gives other entries than Read")
	}
	r := verifyClean(t, dir)
	if r.Entries != 3300+2+5 || r.Sealed.Segments != 2 || r.Sealed.Entries != 2200 {
		t.Errorf("%+v", r)
	}
	if want := "segments        2, with 2200 entries that are only there; 0 files missing or not as they were written"; !strings.Contains(r.Text(), want) {
		t.Errorf("the report does not say %q:\n%s", want, r.Text())
	}
	if n := emptied(t, dir); n != 2200 {
		t.Errorf("%d entries were taken out of journal.db", n)
	}
	j = open(t, Options{Dir: dir})
	if !sameEntries(readEverything(t, j), after) {
		t.Error("after a restart, other entries are read")
	}
	o := sealOptions(36, archive)
	o.All = true
	if done = seal(t, j, o); len(done.Segments) != 3 || done.Segments[2].Last != 2307 || !strings.Contains(done.Why, "the last 1000 entries are always kept") {
		t.Errorf("%+v", done)
	}
	if !sameEntries(readEverything(t, j)[:len(after)], after) {
		t.Error("after the second sealing, other entries are read")
	}
	must(t, j.Close())
	verifyClean(t, dir)
}

// emptied counts the rows without bytes.
func emptied(t testing.TB, dir string) (n int) {
	t.Helper()
	db, err := openLook(osDisk{}, in(dir, dbName))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	v, err := countIn(db, "SELECT count(*) FROM entries WHERE length(json) = 0")
	if err != nil {
		t.Fatal(err)
	}
	return int(v)
}

func TestDroppedEntriesGiveTheirSpaceBack(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "journal")
	j := filled(t, Options{Dir: dir}, 2300)
	must(t, j.Close())
	before, err := os.Stat(in(dir, dbName))
	must(t, err)
	j = open(t, Options{Dir: dir})
	seal(t, j, sealOptions(1200))
	must(t, j.Close())
	db, err := openLook(osDisk{}, in(dir, dbName))
	must(t, err)
	free, err := pragmaInt(db, "freelist_count")
	must(t, err)
	must(t, db.Close())
	after, err := os.Stat(in(dir, dbName))
	must(t, err)
	if dropped := int64(1200) * 1000; free*pageSize < dropped {
		t.Errorf("%d bytes became free for what comes, of about %d that were dropped", free*pageSize, dropped)
	}
	t.Logf("journal.db: %d bytes before, %d after, of which %d are free pages", before.Size(), after.Size(), free*pageSize)
	j = open(t, Options{Dir: dir})
	for range 9 {
		appendN(t, j, "b-1", 100)
	}
	must(t, j.Close())
	again, err := os.Stat(in(dir, dbName))
	must(t, err)
	if again.Size() > after.Size() {
		t.Errorf("with 900 more weighings journal.db grew from %d to %d bytes, although there was room in it", after.Size(), again.Size())
	}
}

func countIn(db *sqlite3.Conn, sql string) (n int64, err error) {
	err = query(db, sql, nil, func(row *sqlite3.Stmt) error {
		n = row.ColumnInt64(0)
		return nil
	})
	return n, err
}
