package journal

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
)

// The offset that is told is where the entry's bytes are: in journal.db, and in the WAL while they are only there.
func TestAnEntryIsLocatedInItsFile(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	j := open(t, Options{Dir: dir, idleAfter: time.Hour, foldAt: 1 << 30})
	for range 3 {
		appendN(t, j, "b-12", 100)
	}
	check := func(t *testing.T, dir, wantFile string) {
		db, err := openLook(osDisk{}, filepath.Join(dir, dbName))
		must(t, err)
		defer db.Close()
		for _, seq := range []uint64{1, 2, 127, 128, 200, 299, 300} {
			where := locate(osDisk{}, dir, db, seq)
			m := regexp.MustCompile(`^byte (\d+) of (\S+), page (\d+)$`).FindStringSubmatch(where)
			if m == nil || m[2] != wantFile {
				t.Fatalf("entry %d: %q", seq, where)
			}
			at, err := strconv.Atoi(m[1])
			must(t, err)
			content := mustRead(t, filepath.Join(dir, m[2]))[at:]
			if begin := content[:min(400, len(content))]; !bytes.Contains(begin, fmt.Appendf(nil, `"seq":%d,`, seq)) {
				t.Errorf("entry %d is not at %s: %q", seq, where, begin)
			}
		}
		if where := locate(osDisk{}, dir, db, 5000); !strings.HasPrefix(where, "page ") {
			t.Errorf("an entry that is not there: %q", where)
		}
	}
	t.Run("in the WAL", func(t *testing.T) { check(t, copyDir(t, dir), dbName+walSuffix) })
	must(t, j.Close())
	t.Run("in journal.db", func(t *testing.T) { check(t, dir, dbName) })
	t.Run("a damaged tree", func(t *testing.T) { // ends, and says at most which page
		db, err := openLook(osDisk{}, filepath.Join(dir, dbName))
		must(t, err)
		defer db.Close()
		locate(osDisk{}, dir, db, 1)
		random, _ := newSeed(t)
		content := mustRead(t, filepath.Join(dir, dbName))
		for range rounds(25, 100) {
			spoiled := bytes.Clone(content)
			for range 50 {
				spoiled[random.IntN(len(spoiled))] = byte(random.IntN(256))
			}
			must(t, os.WriteFile(filepath.Join(dir, dbName), spoiled, 0o640))
			locate(osDisk{}, dir, db, uint64(random.IntN(400)))
		}
	})
}

func TestNumbersOfSQLite(t *testing.T) {
	// The values of sqlite.org/fileformat2.html section 1.6's rule, made by hand.
	for _, c := range []struct {
		bytes []byte
		v     uint64
		n     int
	}{
		{[]byte{0}, 0, 1}, {[]byte{0x7f}, 127, 1}, {[]byte{0x81, 0}, 128, 2}, {[]byte{0x82, 0x2c}, 300, 2},
		{bytes.Repeat([]byte{0xff}, 9), math.MaxUint64, 9}, {[]byte{0x80}, 0, 0}, {nil, 0, 0},
	} {
		if v, n := sqliteVarint(c.bytes); v != c.v || n != c.n {
			t.Errorf("% x: %d, %d", c.bytes, v, n)
		}
	}
}

// A byte is changed in the file below a running journal. A slow pass finds it, says where, and it is confirmed.
func TestASlowPassFindsDamageBelowARunningJournal(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	j := open(t, Options{Dir: dir, idleAfter: time.Millisecond})
	for range 3 {
		appendN(t, j, "b-12", 500)
	}
	ctx := context.Background()
	share := func() int { return 50 }
	r, err := j.VerifySlowly(ctx, share, func(uint64) {})
	if err != nil || !r.Verified || r.Entries != 1500 {
		t.Fatalf("%v\n%s", err, r.Text())
	}
	if f, err := j.Confirm(ctx); f != nil || err != nil {
		t.Fatalf("%v, %v", f, err)
	}
	for limit := time.Now().Add(time.Minute); ; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatal("the entry never comes to journal.db")
		}
		if content := mustRead(t, filepath.Join(dir, dbName)); bytes.Contains(content, []byte(`"seq":300,`)) {
			f, err := os.OpenFile(filepath.Join(dir, dbName), os.O_RDWR, 0)
			must(t, err)
			_, err = f.WriteAt([]byte{'#'}, int64(bytes.Index(content, []byte(`"seq":300,`))+300))
			must(t, err)
			must(t, f.Close())
			break
		}
	}
	reached := uint64(0)
	r, err = j.VerifySlowly(ctx, share, func(n uint64) { reached = n })
	if err != nil || len(r.Faults) == 0 || r.Faults[0].Seq != 300 || r.Faults[0].Kind != FaultEdited || reached > 1200 {
		t.Fatalf("%v, %d, %+v", err, reached, r.Faults)
	}
	f, err := j.Confirm(ctx)
	if err != nil || f == nil || f.Seq != 300 || !strings.Contains(f.String(), " of journal.db, page ") {
		t.Fatalf("%v, %v", f, err)
	}
	damage := &Damaged{dir, f.String()}
	if err := j.Halt(ctx, damage); err != nil {
		t.Fatal(err)
	}
	if _, err := j.Append(ctx, weighing("b-12", 1)); err == nil || !strings.Contains(err.Error(), "entry 300: its bytes are not those") {
		t.Errorf("after the halt: %v", err)
	}
	if err := j.Close(); err == nil {
		t.Error("closed as if nothing were")
	}
	before := snapshot(t, dir)
	if _, err := Open(ctx, Options{Dir: dir, Site: "north-lab"}); err == nil ||
		!strings.Contains(err.Error(), "it was found damaged while it was in use") || !strings.Contains(err.Error(), "entry 300") {
		t.Errorf("the next start: %v", err)
	}
	if snapshot(t, dir) != before {
		t.Error("the next start touched the files")
	}
}

// A journal that was found damaged and has its right bytes again opens, and forgets it.
func TestAMarkOfDamageIsForgottenOnceTheJournalIsWhole(t *testing.T) {
	dir := t.TempDir()
	j := open(t, Options{Dir: dir})
	appendN(t, j, "b-12", 5)
	must(t, j.Halt(context.Background(), &Damaged{dir, "entry 3: it was not"}))
	if j.Close() == nil {
		t.Error("closed as if nothing were")
	}
	for range 2 {
		j = open(t, Options{Dir: dir})
		appendN(t, j, "b-12", 1)
		must(t, j.NoteVerified(context.Background(), Background{6, time.Now()}))
		must(t, j.Close())
	}
	if r := verifyClean(t, dir); r.Background == nil || r.Background.Entries != 6 || !strings.Contains(r.Text(), "verified up to entry 6 at 20") {
		t.Errorf("%+v\n%s", r.Background, r.Text())
	}
}

// The share of the time that a pass may take is kept.
func TestASlowPassKeepsToItsShare(t *testing.T) {
	s := &slow{share: func() int { return 20 }, began: time.Now().Add(-30 * time.Millisecond)}
	before := time.Now()
	must(t, s.rest(context.Background()))
	if rested := time.Since(before); rested < 120*time.Millisecond {
		t.Errorf("30 ms of work at 20 %%: %v of rest", rested)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	s.began = time.Now().Add(-time.Hour)
	if s.rest(ctx) == nil {
		t.Error("the end is not heard during a rest")
	}
}
