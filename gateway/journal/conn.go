package journal

import (
	"fmt"
	"net/url"
	"path/filepath"
	"strings"
	"time"

	"github.com/ncruces/go-sqlite3"
)

const (
	dbName = "journal.db"
	// pageSize: 4 KiB is what file systems write at once. An entry of a weighing takes a quarter of it.
	pageSize    = 4096
	busyTimeout = 5 * time.Second
	// cacheKiB bounds what one connection keeps in memory: only the right edge of the entries is ever hot.
	cacheKiB = 512
	// foldAt is how large the WAL may become before it is copied back into journal.db, and how large its file stays then.
	// Nothing can be recorded meanwhile: at 64 MB that was 70 ms each time, at 4 MB 6 ms, in sum 1.4 and 2.2 % of the time at
	// 2,560 weighings a second.
	foldAt = 4 << 20
	// oldestSQLite: before 3.51.3 a checkpoint against a writer could damage the WAL.
	oldestSQLite = "3.51.3"
)

// dsn writes SQLite's URI for a file.
func dsn(name, layer, mode string) string {
	path := filepath.ToSlash(name)
	if !strings.HasPrefix(path, "/") && filepath.VolumeName(name) != "" {
		path = "/" + path
	}
	q := url.Values{"mode": {mode}}
	if layer != "" {
		q.Set("vfs", layer)
	}
	return (&url.URL{Scheme: "file", OmitHost: true, Path: path, RawQuery: q.Encode()}).String()
}

func connect(uri string, pragmas ...string) (*sqlite3.Conn, error) {
	db, err := sqlite3.OpenFlags(uri, sqlite3.OPEN_READWRITE|sqlite3.OPEN_CREATE|sqlite3.OPEN_URI)
	if err != nil {
		return nil, err
	}
	pragmas = append(pragmas, fmt.Sprintf("cache_size=-%d", cacheKiB), "trusted_schema=OFF", "cell_size_check=ON")
	for _, p := range pragmas {
		if err := db.Exec("PRAGMA " + p); err != nil {
			db.Close()
			return nil, fmt.Errorf("PRAGMA %s: %w", p, err)
		}
	}
	if err := db.BusyTimeout(busyTimeout); err != nil {
		db.Close()
		return nil, err
	}
	return db, nil
}

// openWriter opens the one connection that writes. synchronous is FULL but in the test that shows what FULL is good for.
func openWriter(d disk, name, synchronous string) (*sqlite3.Conn, error) {
	db, err := connect(dsn(name, d.Layer(), "rwc"),
		fmt.Sprintf("page_size=%d", pageSize), "journal_mode=WAL", "synchronous="+synchronous,
		"wal_autocheckpoint=0", fmt.Sprintf("journal_size_limit=%d", foldAt), "temp_store=MEMORY")
	if err != nil {
		return nil, err
	}
	if err := checkEngine(db); err != nil {
		db.Close()
		return nil, err
	}
	return db, nil
}

// openReader opens a connection that reads what a writer, of this process or another, has committed.
func openReader(d disk, name string) (*sqlite3.Conn, error) {
	return connect(dsn(name, d.Layer(), "ro"), "query_only=ON")
}

// openLook opens a connection that reads a journal nobody writes, and leaves no trace.
func openLook(d disk, name string) (*sqlite3.Conn, error) {
	return connect(dsn(name, d.Look(), "ro"), "locking_mode=EXCLUSIVE", "query_only=ON")
}

// checkEngine refuses a build with an SQLite that may damage a journal.
func checkEngine(db *sqlite3.Conn) error {
	var have string
	err := query(db, "SELECT sqlite_version()", nil, func(row *sqlite3.Stmt) error {
		have = row.ColumnText(0)
		return nil
	})
	if err != nil {
		return err
	}
	if olderVersion(have, oldestSQLite) {
		return fmt.Errorf("this build holds SQLite %s, which can damage a journal: build with %s or newer", have, oldestSQLite)
	}
	return nil
}

// olderVersion compares versions of three numbers.
func olderVersion(a, b string) bool {
	var x, y [3]int
	if n, _ := fmt.Sscanf(a, "%d.%d.%d", &x[0], &x[1], &x[2]); n < 2 {
		return true
	}
	_, _ = fmt.Sscanf(b, "%d.%d.%d", &y[0], &y[1], &y[2])
	for i := range x {
		if x[i] != y[i] {
			return x[i] < y[i]
		}
	}
	return false
}
