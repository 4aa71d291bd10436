package index

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/ncruces/go-sqlite3"
	"go.uber.org/goleak"

	"weighpost/gateway/record"
)

func TestMain(m *testing.M) {
	if flag.Parse(); flag.Lookup("test.bench").Value.String() == "" {
		blockSizes = small
	}
	goleak.VerifyTestMain(m)
}

// TestNoQueryScans: every statement that reads goes by a key.
func TestNoQueryScans(t *testing.T) {
	s, err := openStore(filepath.Join(t.TempDir(), FileName), true)
	if err != nil {
		t.Fatal(err)
	}
	defer s.close()
	for i, sql := range statements {
		stmt, _, err := s.db.Prepare("EXPLAIN QUERY PLAN " + sql)
		if err != nil {
			t.Fatal(err)
		}
		var steps []string
		for stmt.Step() {
			steps = append(steps, stmt.ColumnText(3))
		}
		_ = stmt.Close()
		for _, step := range steps {
			if !strings.HasPrefix(step, "SEARCH ") || strings.Contains(step, "TEMP B-TREE") {
				t.Errorf("%s\n\t%s", sql, step)
			}
		}
		if len(steps) == 0 && !strings.HasPrefix(sql, "INSERT") {
			t.Errorf("statement %d has no plan: %s", i, sql)
		}
	}
}

// watched is a feeder that runs, and what it said.
type watched struct {
	mu    sync.Mutex
	log   bytes.Buffer
	state State
}

func (w *watched) Write(b []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.log.Write(b)
}

func (w *watched) said(what string) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return strings.Contains(w.log.String(), what)
}

func (w *watched) last() State {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.state
}

// feeding runs a feeder until stop is called.
func feeding(t *testing.T, db *DB, j Journal) (w *watched, stop func()) {
	t.Helper()
	return feedingIn(t, db, j, nil)
}

// feedingIn is feeding with what says how much room there is.
func feedingIn(t *testing.T, db *DB, j Journal, room func(string) (int64, error)) (w *watched, stop func()) {
	t.Helper()
	w = &watched{}
	ctx, cancel := context.WithCancel(t.Context())
	f := &Feeder{DB: db, Journal: j, Room: room, Log: slog.New(slog.NewTextHandler(w, nil)), again: 5 * time.Millisecond, OnState: func(s State) {
		w.mu.Lock()
		defer w.mu.Unlock()
		w.state = s
	}}
	done := make(chan struct{})
	go func() {
		defer close(done)
		f.Run(ctx)
	}()
	return w, sync.OnceFunc(func() {
		cancel()
		<-done
	})
}

func until(t *testing.T, f func() bool, otherwise string) {
	t.Helper()
	for limit := time.Now().Add(time.Minute); !f(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatal(otherwise)
		}
	}
}

// TestDamageCostsTimeAndNothingElse: whatever is done to index.db, with the feeder running or not, lists stay right, the
// log says so, and the index is made anew.
func TestDamageCostsTimeAndNothingElse(t *testing.T) {
	smallBlocks(t)
	s := seed(t)
	r := rand.New(rand.NewPCG(s, 4))
	m := newMaker(s)
	j := newShelf()
	j.add(m.entries(t, 704)...)
	other := newShelf()
	good := fed(t, j)
	other.add(newMaker(s+1).entries(t, 704)...)
	write := func(b []byte) func(*testing.T, string) {
		return func(t *testing.T, name string) {
			if err := os.WriteFile(name, b, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	alter := func(f func(b []byte) []byte) func(*testing.T, string) {
		return func(t *testing.T, name string) {
			b, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			write(f(b))(t, name)
		}
	}
	exec := func(sql string) func(*testing.T, string) {
		return func(t *testing.T, name string) {
			db, err := sqlite3.Open(name)
			if err == nil {
				err = errors.Join(db.Exec(sql), db.Close())
			}
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	for name, harm := range map[string]func(*testing.T, string){
		"deleted":           func(t *testing.T, name string) { must(t, os.Remove(name)) },
		"empty":             write(nil),
		"a text file":       write([]byte(strings.Repeat("no database\n", 5000))),
		"cut in half":       alter(func(b []byte) []byte { return b[:len(b)/2] }),
		"cut by a byte":     alter(func(b []byte) []byte { return b[:len(b)-1] }),
		"header gone":       alter(func(b []byte) []byte { clear(b[:100]); return b }),
		"zeroes":            alter(func(b []byte) []byte { clear(b[storePage:]); return b }),
		"another version":   exec("PRAGMA user_version=99"),
		"another program's": exec("PRAGMA application_id=1"),
		"a trigger":         exec("CREATE TRIGGER x AFTER INSERT ON blocks BEGIN DELETE FROM pages; END"),
		"a block gone":      exec("DELETE FROM blocks WHERE first = 513"),
		"pages gone":        exec("DELETE FROM pages WHERE block = 1 AND term > 'b'"),
		"pages swapped":     exec("UPDATE pages SET block = 999 WHERE block = 1; UPDATE pages SET block = 1 WHERE block = 513"),
		"times gone":        exec("DELETE FROM times"),
		"a hash edited":     exec("UPDATE blocks SET hash = zeroblob(32) WHERE first = (SELECT max(first) FROM blocks)"),
		"a WAL beside it": func(t *testing.T, name string) {
			write([]byte("rubbish"))(t, name+"-wal")
			write([]byte("rubbish"))(t, name+"-journal")
		},
		"of another journal": func(t *testing.T, name string) {
			elsewhere := OpenDB(t.TempDir())
			feedAll(t, elsewhere, other)
			must(t, os.Rename(elsewhere.name, name))
		},
	} {
		ways := []bool{false, true}
		if i := r.IntN(2); times(1, 2) == 1 {
			ways = ways[i : i+1] // either of them, as it comes; both with WEIGHPOST_LONG=1
		}
		for _, running := range ways {
			t.Run(name+map[bool]string{true: ", running"}[running], func(t *testing.T) {
				db := OpenDB(t.TempDir())
				defer db.Close()
				write(good)(t, db.name)
				if running {
					w, stop := feeding(t, db, j)
					defer stop()
					until(t, func() bool { return w.last().Indexed == 704 }, "the index does not come up")
				}
				harm(t, db.name)
				same(t, r, m, j, db)
				if !running {
					_, stop := feeding(t, db, j)
					defer stop()
				}
				same(t, r, m, j, db)
				until(t, func() bool {
					n, err := db.Covers(t.Context(), j)
					return err == nil && n == 704
				}, "the index does not come up again")
				same(t, r, m, j, db)
			})
		}
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// same makes one list both ways.
func same(t *testing.T, r *rand.Rand, m *maker, j *shelf, db *DB) {
	t.Helper()
	f := randomFilter(r, m)
	p := Page{ByTime: r.IntN(2) == 0, Down: r.IntN(2) == 0, Limit: 1000}
	l, err := Lister{Source: j, DB: db}.List(t.Context(), f, p)
	if err != nil {
		t.Fatalf("%s: %v", &f, err)
	}
	want := oracle(j.entries, f, p)
	got := []uint64{}
	for _, e := range l.Entries {
		got = append(got, e.Seq)
	}
	if !slices.Equal(got, want[:min(len(want), 1000)]) {
		t.Fatalf("%s, %+v: %d entries, not %d", &f, p, len(got), len(want))
	}
}

// fed gives the bytes of the index of a journal.
func fed(t *testing.T, j Journal) []byte {
	t.Helper()
	db := OpenDB(t.TempDir())
	feedAll(t, db, j)
	must(t, db.Close())
	b, err := os.ReadFile(db.name)
	must(t, err)
	return b
}

// TestFlippedBytes: a byte anywhere in index.db may be another one, and no list is wrong.
func TestFlippedBytes(t *testing.T) {
	smallBlocks(t)
	s := seed(t)
	r := rand.New(rand.NewPCG(s, 5))
	m := newMaker(s)
	j := newShelf()
	j.add(m.entries(t, 640)...)
	good := fed(t, j)
	found := 0
	for range times(8, 300) {
		bad := slices.Clone(good)
		for range 1 + r.IntN(3) {
			bad[r.IntN(len(bad))] ^= byte(1 + r.IntN(255))
		}
		db := OpenDB(t.TempDir())
		must(t, os.WriteFile(db.name, bad, 0o600))
		for range 3 {
			same(t, r, m, j, db)
		}
		if db.wrong.Load() {
			found++
		}
		must(t, db.Close())
	}
	if found == 0 && times(8, 300) > 8 { // a few bytes may well all be of blocks that no list read
		t.Error("no damage was noticed: the test shows nothing")
	}
}

// TestIndexNoticesARestoredJournal: where the journal is shorter than the index, or says something else, it begins anew.
func TestIndexNoticesARestoredJournal(t *testing.T) {
	smallBlocks(t)
	m := newMaker(8)
	whole := newShelf()
	whole.add(m.entries(t, 1000)...)
	for name, n := range map[string]int{"shorter": 700, "shorter by less than a block": 999} {
		t.Run(name, func(t *testing.T) {
			db := OpenDB(t.TempDir())
			defer db.Close()
			feedAll(t, db, whole)
			old := newShelf()
			old.add(whole.entries[:n]...)
			m2 := newMaker(99)
			m2.seq = uint64(n)
			old.add(m2.entries(t, 300)...) // another life goes on from there
			w, stop := feeding(t, db, old)
			defer stop()
			until(t, func() bool { return w.last().Indexed == uint64((n+300)/64*64) }, "the index does not come up")
			if n < 960 && !w.said("the search index is made anew") {
				t.Error("the log does not say that it was made anew")
			}
			r := rand.New(rand.NewPCG(1, 1))
			for range 10 {
				same(t, r, m2, old, db)
			}
		})
	}
}

// TestIndexThatCannotBeWritten says so and tries again, and lists go on.
func TestIndexThatCannotBeWritten(t *testing.T) {
	smallBlocks(t)
	m := newMaker(9)
	j := newShelf()
	j.add(m.entries(t, 200)...)
	db := OpenDB(t.TempDir())
	defer db.Close()
	must(t, os.Mkdir(db.name, 0o700))
	must(t, os.WriteFile(filepath.Join(db.name, "of somebody"), nil, 0o600))
	w, stop := feeding(t, db, j)
	defer stop()
	until(t, func() bool { return w.last().Err != nil }, "nothing is said of it")
	same(t, rand.New(rand.NewPCG(1, 1)), m, j, db)
	if _, err := os.Stat(filepath.Join(db.name, "of somebody")); err != nil {
		t.Error("somebody's file was taken away")
	}
	must(t, os.RemoveAll(db.name))
	until(t, func() bool { return w.last().Indexed == 192 && w.last().Err == nil }, "it does not go on when it can")
}

// TestIndexLeavesTheRoomThatRecordingNeeds: with none for it the index stays as it is and says why, lists go on, and it goes on
// when there is room again.
func TestIndexLeavesTheRoomThatRecordingNeeds(t *testing.T) {
	smallBlocks(t)
	m := newMaker(12)
	j := newShelf()
	j.add(m.entries(t, 100)...)
	db := OpenDB(t.TempDir())
	defer db.Close()
	feedAll(t, db, j)
	j.add(m.entries(t, 100)...)
	var room atomic.Int64
	w, stop := feedingIn(t, db, j, func(dir string) (int64, error) {
		if dir != filepath.Dir(db.name) {
			t.Errorf("it is asked of %s", dir)
		}
		return room.Load(), nil
	})
	defer stop()
	until(t, func() bool { return errors.Is(w.last().Err, errNoRoom) }, "nothing is said of it")
	if n, err := db.Covers(t.Context(), j); err != nil || n != 64 || w.said("made anew") {
		t.Errorf("the index is not as it was: %d, %v", n, err)
	}
	same(t, rand.New(rand.NewPCG(1, 1)), m, j, db)
	room.Store(leastRoom)
	until(t, func() bool { return w.last().Indexed == 192 && w.last().Err == nil }, "it does not go on when it can")
}

// TestSearchBesideFeeding: lists are right while the index grows.
func TestSearchBesideFeeding(t *testing.T) {
	smallBlocks(t)
	m := newMaker(seed(t))
	j := newShelf()
	db := OpenDB(t.TempDir())
	defer db.Close()
	_, stop := feeding(t, db, j)
	defer stop()
	for range times(6, 15) {
		j.add(m.entries(t, 100)...)
		l, err := Lister{Source: j, DB: db}.List(t.Context(), Filter{Balance: "b-3"}, Page{Limit: 1000, Count: true})
		must(t, err)
		if want := oracle(j.entries, Filter{Balance: "b-3"}, Page{}); len(l.Entries) != len(want) || l.Count != uint64(len(want)) {
			t.Fatalf("%d entries, counted %d, not %d", len(l.Entries), l.Count, len(want))
		}
	}
}

// TestHostileSearches: whatever is asked, the answer is a list or a sentence, and the index is as before.
func TestHostileSearches(t *testing.T) {
	smallBlocks(t)
	m := newMaker(10)
	j := newShelf()
	j.add(m.entries(t, 200)...)
	db := OpenDB(t.TempDir())
	defer db.Close()
	feedAll(t, db, j)
	hostile := []string{`"`, `'`, `a" OR "b`, `NEAR(a b)`, `a AND NOT b`, `text:a`, `^a`, `{a b}:c`, "a\x00b", "\xff\xfe", `'; DROP TABLE blocks; --`,
		`%`, `_`, `\`, "e\u0301", "\u202egnp", strings.Repeat("x", 1024), strings.Repeat("ab* ", 200), "*", "**a", "a*b*c", "🜍", "\ufeff", "ﷺ"}
	for _, text := range hostile {
		for name, f := range map[string]Filter{"text": {Text: text}, "person": {Person: text}, "sample": {Sample: text}, "balance": {Balance: text}, "kind": {Kinds: []record.Kind{record.Kind(text)}}} {
			if f.Validate() != nil {
				continue
			}
			l, err := Lister{Source: j, DB: db}.List(t.Context(), f, Page{Limit: 10})
			if err != nil {
				t.Errorf("%s %q: %v", name, text, err)
			}
			if want := oracle(j.entries, f, Page{}); len(l.Entries) != min(10, len(want)) {
				t.Errorf("%s %q: %d entries, not %d", name, text, len(l.Entries), len(want))
			}
		}
	}
	if n, err := db.Covers(t.Context(), j); err != nil || n != 192 || db.wrong.Load() {
		t.Errorf("the index is not as it was: %d, %v", n, err)
	}
}
