package journal

import (
	"errors"
	"fmt"

	"github.com/ncruces/go-sqlite3"
)

// ParkedFor counts what is set aside, by reader.
func (j *Journal) ParkedFor() (map[string]uint64, error) {
	j.gate.RLock()
	defer j.gate.RUnlock()
	if j.closed {
		return nil, ErrClosed
	}
	j.read.mu.RLock()
	defer j.read.mu.RUnlock()
	db, err := openReader(j.o.disk, in(j.o.Dir, dbName))
	if err != nil {
		return nil, fmt.Errorf("reading journal.db: %w", err)
	}
	count := map[string]uint64{}
	err = query(db, "SELECT cursor, count(*) FROM parked WHERE notice <= ? GROUP BY cursor", []int64{int64(j.Head())}, func(row *sqlite3.Stmt) error {
		count[row.ColumnText(0)] = uint64(row.ColumnInt64(1))
		return nil
	})
	return count, errors.Join(err, db.Close())
}
