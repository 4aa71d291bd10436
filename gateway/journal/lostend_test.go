package journal

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// Somebody takes the last entry out of journal.db below the writer, as a lost page of the index of the WAL also does. The next
// commit must not go over the place: recording stops, says so, and goes on once the entry is back.
func TestAJournalThatLosesItsEndIsNotWrittenOn(t *testing.T) {
	ctx, dir := context.Background(), t.TempDir()
	j := open(t, Options{Dir: dir, retryMin: 5 * time.Millisecond, retryMax: 10 * time.Millisecond})
	appendN(t, j, "b-12", 5)
	all, err := j.Read(ctx, 0, 10)
	must(t, err)
	if len(all) != 5 {
		t.Fatalf("%d entries", len(all))
	}
	must(t, j.SetCursor("files", 3))
	db, err := openWriter(osDisk{}, filepath.Join(dir, dbName), "FULL")
	must(t, err)
	must(t, db.Exec("CREATE TABLE aside AS SELECT * FROM entries WHERE seq = 5; DELETE FROM entries WHERE seq = 5"))
	_, err = j.Append(ctx, weighing("b-12", 6))
	if !errors.Is(err, ErrStopped) || !strings.Contains(err.Error(), "journal.db ends with entry 4, and entry 5 is the last that was recorded") {
		t.Errorf("%v", err)
	}
	for limit := time.Now().Add(10 * time.Second); !strings.Contains(fmt.Sprint(j.Stopped()), "5 were acknowledged, and journal.db ends with entry 4"); {
		if time.Sleep(5 * time.Millisecond); time.Now().After(limit) {
			t.Fatalf("it says %v", j.Stopped())
		}
	}
	must(t, db.Exec("INSERT INTO entries SELECT * FROM aside; DROP TABLE aside"))
	must(t, db.Close())
	for limit := time.Now().Add(10 * time.Second); j.Stopped() != nil; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("with the entry back it still says %v", j.Stopped())
		}
	}
	again, err := j.Append(ctx, weighing("b-12", 6))
	must(t, err)
	if again[0].Seq != 6 {
		t.Errorf("entry %d", again[0].Seq)
	}
	must(t, j.Close())
	verifyClean(t, dir)
}
