package index

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// fill200 opens a journal with 200 entries about two balances.
func fill200(t *testing.T) (*journal.Journal, string) {
	t.Helper()
	dir := t.TempDir()
	j := journaltest.Open(t, journal.Options{Dir: dir, Site: "seed-bank"})
	for i := range 200 {
		body := &record.PortChange{Balance: record.About{ID: fmt.Sprintf("b-%d", i%2)}, Port: "/dev/ttyUSB0", Up: i%4 < 2, Times: 1,
			Stamp: record.Stamp{UTC: record.UTC(time.Date(2026, 11, 25, 8, 0, i, 0, time.UTC)), Clock: record.ClockUnchecked}}
		if _, err := j.Append(t.Context(), body); err != nil {
			t.Fatal(err)
		}
	}
	return j, dir
}

func reviewerOf(j *journal.Journal, db *DB) *Reviewer {
	return &Reviewer{Lister: Lister{Source: j, DB: db}, Journal: j, Stamp: func() record.Stamp {
		return record.Stamp{UTC: record.UTC(time.Date(2026, 11, 26, 8, 0, 0, 0, time.UTC)), Clock: record.ClockUnchecked}
	}}
}

// TestReviews: each begins where the last one of its filter, or of everything, ended, and says what it saw.
func TestReviews(t *testing.T) {
	smallBlocks(t)
	j, dir := fill200(t)
	db := OpenDB(dir)
	defer db.Close()
	feedAll(t, db, j)
	v := reviewerOf(j, db)
	by := record.Actor{ID: "ada", By: record.ActorToken}
	for i, c := range []struct {
		to       uint64
		filter   string
		from, is uint64
		refused  string
	}{
		{to: 100, from: 1, is: 100},
		{to: 100, refused: "entries up to 100 were reviewed already"},
		{to: 50, refused: "entries up to 100 were reviewed already"},
		{to: 10_000, refused: "entry 10000 does not exist: the journal ends with entry 201"},
		{to: 150, filter: "balance=b-1", from: 101, is: 150},
		{to: 120, filter: "balance=b-1", refused: "entries up to 150 were reviewed already"},
		{to: 120, filter: "balance=b-0", from: 101, is: 120},
		{to: 160, filter: "after=3", refused: "filter names sequences"},
		{to: 160, filter: "colour=red", refused: `filter: "colour" is unknown`},
		{to: 160, filter: "%zz", refused: "is written wrongly"},
		{to: 0, from: 101, is: 203},
		{to: 204, filter: "balance=b-1", from: 204, is: 204},
	} {
		e, err := v.Review(t.Context(), record.ReviewRequest{By: "ada", To: c.to, Filter: c.filter, Findings: "nothing unusual"}, by)
		var refused *record.RequestRefused
		if c.refused != "" {
			if !errors.As(err, &refused) || !strings.Contains(refused.Why, c.refused) {
				t.Errorf("%d: %v", i, err)
			}
			continue
		}
		if err != nil {
			t.Fatalf("%d: %v", i, err)
		}
		var r record.TrailReviewed
		must(t, json.Unmarshal(e.JSON, &r))
		if r.From != c.from || r.To != c.is || r.TreeSize < r.To || r.TreeSize >= e.Seq || (r.Query != "") != (c.filter != "") {
			t.Errorf("%d: %s", i, e.JSON)
		}
		at, err := proof.ParseText(r.Checkpoint[:strings.Index(r.Checkpoint, "\n\n")+1])
		if err != nil || at.Size != r.TreeSize {
			t.Errorf("%d: the checkpoint of the review is of %d entries: %v", i, at.Size, err)
		}
	}
	for query, want := range map[string]uint64{"": 203, "balance=b-1": 204, "balance=b-0": 203} {
		f := Filter{}
		if _, id, found := strings.Cut(query, "="); found {
			f.Balance = id
		}
		if since, err := v.SinceReview(t.Context(), f, &Page{}); err != nil || since.After != want {
			t.Errorf("%q is reviewed up to %d, %v", query, since.After, err)
		}
	}
	if empty, err := v.Review(t.Context(), record.ReviewRequest{By: "ada", Findings: " \n"}, by); err == nil {
		t.Errorf("no findings are taken: %s", empty.JSON)
	}
}

// TestListBesideAndWithoutAWriter: the same lists from the journal's own reader, from its files beside a writer, and from
// its files alone, with an index and without.
func TestListBesideAndWithoutAWriter(t *testing.T) {
	smallBlocks(t)
	j, dir := fill200(t)
	db := OpenDB(dir)
	feedAll(t, db, j)
	list := func(what string, l Lister, indexed uint64) {
		t.Helper()
		page, err := l.List(t.Context(), Filter{Balance: "b-1", Text: "ttyusb0", After: 20}, Page{Limit: 1000, Down: true})
		if err != nil || len(page.Entries) != 90 || page.Entries[0].Seq != 200 || page.Indexed != indexed || page.Head != 200 || page.Missing != 0 {
			t.Errorf("%s: %d entries, index at %d of %d, %d missing, %v", what, len(page.Entries), page.Indexed, page.Head, page.Missing, err)
		}
	}
	list("the writer's", Lister{Source: j, DB: db}, 192)
	list("the writer's, no index", Lister{Source: j}, 0)
	beside, err := OpenScanned(t.Context(), dir)
	must(t, err)
	list("beside", Lister{Source: beside, DB: db}, 192)
	must(t, j.Close())
	alone, err := OpenScanned(t.Context(), filepath.Join(dir, "journal.db"))
	must(t, err)
	list("alone", Lister{Source: alone, DB: db}, 192)
	must(t, db.Close())
	must(t, os.Remove(filepath.Join(dir, FileName)))
	list("alone, no index", Lister{Source: alone, DB: OpenDB(alone.Dir())}, 0)
	if _, err := os.Stat(filepath.Join(dir, FileName)); err == nil {
		t.Error("reading made an index")
	}
	if _, err := OpenScanned(t.Context(), t.TempDir()); err == nil {
		t.Error("a folder without a journal can be opened")
	}
}
