package journal_test

import (
	"strings"
	"testing"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/record"
)

// unreadable is an entry that gives a text where a reader looks for the balance.
type unreadable struct {
	record.Head
	Balance string `json:"balance"`
}

func (u *unreadable) Kind() record.Kind { return record.KindSignedIn }
func (u *unreadable) Subject() string   { return "" }
func (u *unreadable) Time() time.Time   { return time.Time{} }

// TestWhatCouldNotBeReadIsNotWritten: one such entry, and nobody could read what is after it. What is appended with it is not
// written either, and the journal goes on.
func TestWhatCouldNotBeReadIsNotWritten(t *testing.T) {
	j := journaltest.Open(t, journal.Options{Dir: t.TempDir(), Site: "north-lab"})
	good := func() record.Body { return &record.SignedIn{Session: "s-1", Balance: "b-12"} }
	if _, err := j.Append(t.Context(), good(), &unreadable{Balance: "b-12"}); err == nil || !strings.Contains(err.Error(), "could not be read again") {
		t.Errorf("%v", err)
	}
	if _, err := j.Append(t.Context(), good()); err != nil || j.Head() != 1 {
		t.Errorf("%v, %d entries", err, j.Head())
	}
}
