package journal

import (
	"context"
	"fmt"
	"testing"

	"github.com/ncruces/go-sqlite3"

	"weighpost/gateway/needs"
)

// The K-th write or sync of a later version that brings the journal to its own schema never returns. What is left is the
// old version whole or the new one whole, and the later version opens it.
func TestAMigrationThatIsKilledIsDoneWholeOrNotAtAll(t *testing.T) {
	t.Parallel()
	needs.Programs(t, "strace")
	const step = "CREATE TABLE more(x INTEGER); INSERT INTO more SELECT seq FROM entries"
	newer := append(append([]string(nil), steps...), step)
	made := t.TempDir()
	j := open(t, Options{Dir: made})
	const before = 100
	appendN(t, j, "b-12", before)
	must(t, j.Close())
	old := verifyClean(t, made)
	left := map[int]int{}
	for k, alive := 1, false; !alive; k += rounds(3, 1) {
		l := newLives(copyDir(t, made))
		l.env = []string{standInSteps + "=" + step}
		alive = injected(t, l, 1, fmt.Sprintf("pwrite64,fsync,fdatasync,ftruncate:signal=SIGKILL:when=%d", k))
		version, rows := schemaOf(t, l.dir)
		left[version]++
		switch {
		case version == len(steps) && rows == 0:
			if r := verifyClean(t, l.dir); r.Root != old.Root {
				t.Errorf("killed at call %d: the journal of the old version has changed", k)
			}
		case version == len(newer) && rows == before:
		default:
			t.Errorf("killed at call %d: version %d with %d rows of the new table", k, version, rows)
		}
		j, err := Open(context.Background(), Options{Dir: l.dir, Site: "north-lab", steps: newer})
		must(t, err)
		if j.Head() < before {
			t.Errorf("killed at call %d: %d of %d entries are there", k, j.Head(), before)
		}
		must(t, j.Close())
		if t.Failed() {
			t.FailNow()
		}
	}
	if left[len(steps)] == 0 || left[len(newer)] == 0 {
		t.Errorf("old and new versions left: %v: the kills do not reach the migration", left)
	}
	t.Logf("killed before the new version was there: %d times; after: %d times, the last of them not at all", left[len(steps)], left[len(newer)])
}

// schemaOf looks at a journal.db without a trace: its version, and how many rows the later version has made.
func schemaOf(t *testing.T, dir string) (v, rows int) {
	t.Helper()
	db, err := openLook(osDisk{}, in(dir, dbName))
	must(t, err)
	defer db.Close()
	v, err = version(db)
	must(t, err)
	err = query(db, "SELECT count(*) FROM sqlite_schema WHERE name = 'more'", nil, func(row *sqlite3.Stmt) error {
		rows = row.ColumnInt(0)
		return nil
	})
	must(t, err)
	if rows > 0 {
		must(t, query(db, "SELECT count(*) FROM more", nil, func(row *sqlite3.Stmt) error {
			rows = row.ColumnInt(0)
			return nil
		}))
	}
	return v, rows
}
