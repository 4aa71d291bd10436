// Package journaltest opens journals for tests of other rooms, and verifies each when its test ends.
package journaltest

import (
	"context"
	"testing"

	"weighpost/gateway/journal"
)

// Open opens a journal in a folder of its own, or in o.Dir if that is given. When the test ends, the journal is closed and
// verified: whatever the test did, nothing in it may have changed.
func Open(t testing.TB, o journal.Options) *journal.Journal {
	t.Helper()
	if o.Dir == "" {
		o.Dir = t.TempDir()
	}
	if o.Site == "" {
		o.Site = "north-lab"
	}
	j, err := journal.Open(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := j.Close(); err != nil {
			t.Errorf("closing the journal: %v", err)
		}
		Verify(t, o.Dir)
	})
	return j
}

// Verify fails the test if the journal in a folder has a fault.
func Verify(t testing.TB, dir string) journal.Report {
	t.Helper()
	r, err := journal.Verify(context.Background(), dir, "", nil)
	if err != nil {
		t.Errorf("verifying the journal: %v", err)
	} else if !r.Verified {
		t.Errorf("the journal is not as it was written:\n%s", r.Text())
	}
	return r
}
