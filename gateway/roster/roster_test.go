package roster_test

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
	"weighpost/gateway/roster"
)

// counting counts the entries that are read.
type counting struct {
	*journal.Journal
	read int
}

func (c *counting) Read(ctx context.Context, after uint64, max int) ([]record.Entry, error) {
	entries, err := c.Journal.Read(ctx, after, max)
	c.read += len(entries)
	return entries, err
}

func open(t *testing.T, dir string) *counting {
	t.Helper()
	j, err := journal.Open(t.Context(), journal.Options{Dir: dir, Site: "seed-bank"})
	if err != nil {
		t.Fatal(err)
	}
	return &counting{Journal: j}
}

func (c *counting) close(t *testing.T) {
	t.Helper()
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
}

func (c *counting) load(t *testing.T) roster.Roster {
	t.Helper()
	r, err := roster.Load(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// hold makes a configuration of these balances hold.
func (c *counting) hold(t *testing.T, r roster.Roster, n int, balances ...record.Balance) roster.Roster {
	t.Helper()
	next := r.With(balances, fmt.Sprintf("sha256:%d", n), json.RawMessage(fmt.Sprintf(`{"n":%d}`, n)))
	if err := next.Record(t.Context(), c, &record.Configured{From: r.Hash}); err != nil {
		t.Fatal(err)
	}
	return next
}

// fill appends entries that say nothing of balances.
func (c *counting) fill(t *testing.T, n int) {
	t.Helper()
	var bodies []record.Body
	for range n {
		bodies = append(bodies, &record.Gap{Balance: record.About{ID: "b-1"}, Why: "a test"})
	}
	if _, err := c.Append(t.Context(), bodies...); err != nil {
		t.Fatal(err)
	}
}

func takes(t *testing.T, r roster.Roster, b record.Balance, free bool) {
	t.Helper()
	if taken := r.Taken([]record.Balance{b}); (len(taken) == 0) != free {
		t.Errorf("%s with the serial number %q: %v", b.ID, b.Serial, taken)
	}
}

// TestAnIDStaysWithItsBalance: over configurations in which it has no number or is not there at all, and over restarts.
func TestAnIDStaysWithItsBalance(t *testing.T) {
	dir := t.TempDir()
	j := open(t, dir)
	r := j.load(t)
	takes(t, r, record.Balance{ID: "b-1", Serial: "0047"}, true)
	r = j.hold(t, r, 1, record.Balance{ID: "b-1"}, record.Balance{ID: "b-2", Serial: "0001"})
	takes(t, r, record.Balance{ID: "b-1", Serial: "0047"}, true) // its number becomes known
	r = j.hold(t, r, 2, record.Balance{ID: "b-1", Serial: "0047"})
	r = j.hold(t, r, 3, record.Balance{ID: "b-1"}) // and is left out again
	for range 2 {
		takes(t, r, record.Balance{ID: "b-1", Serial: "0047"}, true)
		takes(t, r, record.Balance{ID: "b-1", Serial: "0048"}, false)
		takes(t, r, record.Balance{ID: "b-1"}, true)
		takes(t, r, record.Balance{ID: "b-2", Serial: "0002"}, false) // gone since the second
		takes(t, r, record.Balance{ID: "b-3", Serial: "0047"}, true)  // the same balance under another id
		if r.Hash != "sha256:3" || string(r.Config) != `{"n":3}` {
			t.Errorf("held last: %s %s", r.Hash, r.Config)
		}
		j.close(t)
		j = open(t, dir)
		r = j.load(t)
	}
	j.close(t)
}

// TestALongJournalIsNotRead: what holds is found without reading what lies before or behind it.
func TestALongJournalIsNotRead(t *testing.T) {
	dir := t.TempDir()
	j := open(t, dir)
	r := j.hold(t, j.load(t), 1, record.Balance{ID: "b-1", Serial: "0047"})
	j.fill(t, 3000)
	j.close(t)
	j = open(t, dir)
	if r = j.load(t); j.read > 300 || r.Hash != "sha256:1" {
		t.Errorf("%d entries were read for the only configuration, %s", j.read, r.Hash)
	}
	j.hold(t, r, 2, record.Balance{ID: "b-2", Serial: "0048"})
	j.fill(t, 3000)
	j.close(t)
	j = open(t, dir)
	defer j.close(t)
	r = j.load(t)
	if j.read > 300 {
		t.Errorf("%d entries were read", j.read)
	}
	takes(t, r, record.Balance{ID: "b-1", Serial: "0048"}, false)
	takes(t, r, record.Balance{ID: "b-2", Serial: "0047"}, false)
	if err := j.SetCursor("@configured", j.Head()); err != nil { // as if a kill had come at the worst moment
		t.Fatal(err)
	}
	r = j.load(t)
	takes(t, r, record.Balance{ID: "b-1", Serial: "0048"}, false)
	if r.Hash != "sha256:2" {
		t.Errorf("without the cursor's help %s held last", r.Hash)
	}
}

// TestAnOlderJournalAndARefusal: balances are known from the starts of a journal without configurations, and what was refused
// teaches nothing.
func TestAnOlderJournalAndARefusal(t *testing.T) {
	j := open(t, t.TempDir())
	defer j.close(t)
	_, err := j.Append(t.Context(),
		&record.Lifecycle{Started: true, Balances: []record.Balance{{ID: "b-1", Serial: "0047"}}},
		&record.Lifecycle{Started: true, Balances: []record.Balance{{ID: "b-1"}}},
		&record.Configured{Refused: "it is bad", To: "sha256:9", Known: []record.KnownBalance{{ID: "b-9", Serial: "9"}}})
	if err != nil {
		t.Fatal(err)
	}
	r := j.load(t)
	takes(t, r, record.Balance{ID: "b-1", Serial: "0048"}, false)
	takes(t, r, record.Balance{ID: "b-9", Serial: "8"}, true)
	if r.Hash != "" {
		t.Errorf("%s held", r.Hash)
	}
}

// refusing is a journal that records nothing now.
type refusing struct{ *counting }

func (refusing) Append(context.Context, ...record.Body) ([]record.Entry, error) {
	return nil, journal.ErrStopped
}

// TestWhatIsNotRecordedDoesNotHold: after a change that could not be recorded, the one before is found.
func TestWhatIsNotRecordedDoesNotHold(t *testing.T) {
	j := open(t, t.TempDir())
	defer j.close(t)
	r := j.hold(t, j.load(t), 1, record.Balance{ID: "b-1", Serial: "0047"})
	j.fill(t, 1000)
	next := r.With([]record.Balance{{ID: "b-2", Serial: "0048"}}, "sha256:2", nil)
	if err := next.Record(t.Context(), refusing{j}, &record.Configured{}); err == nil {
		t.Fatal("it is said to be recorded")
	}
	j.read = 0
	if r = j.load(t); r.Hash != "sha256:1" || j.read > 300 {
		t.Errorf("%s is found after %d entries", r.Hash, j.read)
	}
	takes(t, r, record.Balance{ID: "b-2", Serial: "0049"}, true)
}

func TestASentenceSaysWhatToDo(t *testing.T) {
	r := roster.Roster{}.With([]record.Balance{{ID: "b-1", Serial: "0047"}}, "", nil)
	taken := r.Taken([]record.Balance{{ID: "b-1", Serial: "0048"}})[0]
	for _, want := range []string{"b-1", `"0047"`, `"0048"`} {
		if !strings.Contains(taken.String(), want) {
			t.Errorf("%s lacks %s", taken, want)
		}
	}
	if !strings.Contains(taken.Remedy(), "an id that was never used") {
		t.Error(taken.Remedy())
	}
}

// TestIDsKnowsWhatIsGone: an id that the configuration has no more is known, and with which serial number.
func TestIDsKnowsWhatIsGone(t *testing.T) {
	dir := t.TempDir()
	j := open(t, dir)
	r := j.hold(t, j.load(t), 1, record.Balance{ID: "b-1", Serial: "0047"}, record.Balance{ID: "b-2"})
	j.hold(t, r, 2, record.Balance{ID: "b-3", Serial: "0049"})
	j.close(t)
	ids, err := roster.IDs(func(each func(record.Entry) error) error { return journal.Scan(t.Context(), dir, 0, each) })
	if err != nil || fmt.Sprint(ids) != "map[b-1:0047 b-2: b-3:0049]" {
		t.Errorf("%v, %v", ids, err)
	}
}
