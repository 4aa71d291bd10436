package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/record"
)

// source is a journal as a backup holds it.
type source struct {
	snapshot    Snapshot
	entries     [][]byte
	public, key string
}

func sourceOf(t *testing.T, dir string) source {
	t.Helper()
	var s source
	var err error
	s.snapshot, err = SnapshotDir(context.Background(), dir)
	must(t, err)
	must(t, Scan(context.Background(), dir, 0, func(e record.Entry) error {
		s.entries = append(s.entries, slices.Clone(e.JSON))
		return nil
	}))
	for name, to := range map[string]*string{keyName: &s.key, pubName: &s.public} {
		b, err := os.ReadFile(in(dir, name))
		must(t, err)
		*to = string(b)
	}
	return s
}

func (s source) options() BuildOptions {
	return BuildOptions{
		Snapshot: s.snapshot, PublicKey: s.public, Key: s.key,
		Entries: func(_ context.Context, each func([]byte) error) error {
			for _, raw := range s.entries {
				if err := each(raw); err != nil {
					return err
				}
			}
			return nil
		},
		Restored: record.Restored{Cause: record.LifeRestored, Reason: "the disk was lost", Actor: record.Actor{ID: "ada", By: record.ActorHost}},
	}
}

// recordedThere makes a journal with two balances, a reader and a parked entry, and closes it.
func recordedThere(t *testing.T, n int) string {
	t.Helper()
	dir := t.TempDir()
	j := open(t, Options{Dir: dir})
	appendN(t, j, "b-12", n)
	appendN(t, j, "b-7", n/2)
	must(t, j.Settle(context.Background(), "lims", 3, "mqtt broker"))
	entries, err := j.Read(context.Background(), 4, 1)
	must(t, err)
	must(t, j.Park(context.Background(), "lims", entries[0], &record.Parked{Sink: "lims"}))
	_, _, err = j.Checkpoint(context.Background())
	must(t, err)
	appendN(t, j, "b-12", 5)
	must(t, j.Close())
	return dir
}

// A journal that is built of another has all of its entries and a life of its own: the tree goes on, numbers begin again, and
// no id that the other one issues later is issued here.
func TestABuiltJournalGoesOnAsAnotherLife(t *testing.T) {
	t.Parallel()
	old := recordedThere(t, 40)
	s := sourceOf(t, old)
	dir := in(t.TempDir(), "journal")
	built, err := Build(context.Background(), dir, s.options())
	must(t, err)
	if built.Head != s.snapshot.Size+2 || built.Incarnation == s.snapshot.Incarnation {
		t.Fatalf("built %+v of %d entries of %s", built, s.snapshot.Size, s.snapshot.Incarnation)
	}
	here, there := open(t, Options{Dir: dir}), open(t, Options{Dir: old})
	if c, _ := here.Cursor("lims"); c != s.snapshot.Cursors["lims"] {
		t.Errorf("the reader is at %d, and was at %d", c, s.snapshot.Cursors["lims"])
	}
	if list, err := here.Parked("lims"); err != nil || len(list) != 1 {
		t.Errorf("parked: %v, %v", list, err)
	}
	if goal, _ := here.Goal("lims"); goal != "mqtt broker" {
		t.Errorf("the reader is for %q", goal)
	}
	appendN(t, here, "b-12", 50)
	appendN(t, there, "b-12", 50)
	must(t, errors.Join(here.Close(), there.Close()))
	ids := map[string]bool{}
	must(t, Scan(context.Background(), old, s.snapshot.Size, func(e record.Entry) error { ids[e.ID] = true; return nil }))
	n := uint64(0)
	must(t, Scan(context.Background(), dir, 0, func(e record.Entry) error {
		if n++; n <= s.snapshot.Size && string(e.JSON) != string(s.entries[n-1]) {
			t.Errorf("entry %d is another", n)
		}
		if ids[e.ID] {
			t.Errorf("the id %s was issued twice", e.ID)
		}
		if n == built.Head+1 && e.ID != record.EntryID("north-lab", built.Incarnation, "b-12", 1) {
			t.Errorf("the first weighing is %s", e.ID)
		}
		return nil
	}))
	r := verifyClean(t, dir)
	if len(r.Lives) != 2 || r.Lives[1].First != s.snapshot.Size+1 || r.Lives[1].Cause != record.LifeRestored || r.Lives[0].Origin != s.snapshot.Origin {
		t.Errorf("lives: %+v", r.Lives)
	}
	if !strings.Contains(r.Text(), fmt.Sprintf("%s, from entry %d on: restored", built.Incarnation, s.snapshot.Size+1)) {
		t.Errorf("the report does not tell:\n%s", r.Text())
	}
}

// Without the old key the journal is built as well: nothing vouches for the new key, and the report says so until, and after,
// a second person has confirmed it.
func TestAJournalBuiltWithoutItsKeySaysSo(t *testing.T) {
	t.Parallel()
	s := sourceOf(t, recordedThere(t, 10))
	for _, c := range []struct {
		second *record.Actor
		want   string
	}{
		{nil, "ada said that the one before was lost. No second person has confirmed that"},
		{&record.Actor{ID: "ben", By: record.ActorHost}, "ada and ben said that the one before was lost"},
	} {
		dir := t.TempDir()
		o := s.options()
		o.Key, o.ConfirmedBy = "", c.second
		_, err := Build(context.Background(), dir, o)
		must(t, err)
		must(t, open(t, Options{Dir: dir}).Close())
		r := verifyClean(t, dir)
		if len(r.Notes) != 1 || !strings.Contains(r.Notes[0], c.want) || !strings.Contains(r.Text(), "no key vouched for it") {
			t.Errorf("the report says %q, want %q", r.Notes, c.want)
		}
		old := in(t.TempDir(), "old.pub")
		must(t, os.WriteFile(old, []byte(s.public), 0o600))
		r, err = Verify(context.Background(), dir, old, nil)
		must(t, err)
		if !r.Verified || len(r.Notes) != 1 {
			t.Errorf("with the key of before: %s", r.Text())
		}
	}
	o := s.options()
	o.Key, o.ConfirmedBy = "", &o.Restored.Actor
	dir := t.TempDir()
	_, err := Build(context.Background(), dir, o)
	must(t, err)
	if r, err := Verify(context.Background(), dir, "", nil); err != nil || r.Verified {
		t.Errorf("confirmed by the same person: %s, %v", r.Text(), err)
	}
}

// What is not what the checkpoint signs is not built, and leaves nothing behind.
func TestABuildOfWhatWasNotSignedIsRefused(t *testing.T) {
	t.Parallel()
	s := sourceOf(t, recordedThere(t, 10))
	for _, c := range []struct {
		name, want string
		change     func(*source)
	}{
		{"an edited entry", "not those that its checkpoint signs", func(s *source) {
			s.entries[3] = []byte(strings.Replace(string(s.entries[3]), `"digits":"`, `"digits":"9`, 1))
		}},
		{"one entry fewer", "covers", func(s *source) { s.entries = s.entries[:len(s.entries)-1] }},
		{"one entry more", "more than the", func(s *source) { s.entries = append(s.entries, s.entries[0]) }},
		{"swapped entries", "it says that it is entry", func(s *source) { s.entries[2], s.entries[3] = s.entries[3], s.entries[2] }},
		{"other numbers", "table of numbers", func(s *source) { s.snapshot.Numbers = map[string]uint64{"b-12": 3} }},
		{"a larger size", "its checkpoint is of", func(s *source) { s.snapshot.Size++ }},
		{"another key", "cannot be believed", func(s *source) { s.public = sourceOf(t, recordedThere(t, 8)).public }},
		{"another signing key", "not the one whose public half", func(s *source) { s.key = sourceOf(t, recordedThere(t, 8)).key }},
		{"a parked entry of nowhere", "which cannot be", func(s *source) { s.snapshot.Parked = []SavedParked{{"lims", 5, 9000}} }},
		{"no site", "is empty", func(s *source) { s.snapshot.Site = "" }},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := source{s.snapshot, slices.Clone(s.entries), s.public, s.key}
			c.change(&s)
			dir := t.TempDir()
			_, err := Build(context.Background(), dir, s.options())
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want %q", err, c.want)
			}
			if list, _ := os.ReadDir(dir); len(list) != 1 || list[0].Name() != lockName {
				t.Errorf("left behind: %v", list)
			}
		})
	}
	dir := recordedThere(t, 8)
	if _, err := Build(context.Background(), dir, s.options()); err == nil || !strings.Contains(err.Error(), "already holds journal.db") {
		t.Errorf("over another journal: %v", err)
	}
}

// Entries that were sealed are in the built journal as all others, and can be sealed again, into the same archive.
func TestABuiltJournalHoldsWhatWasSealed(t *testing.T) {
	t.Parallel()
	old, archive := sealedSpecimen(t)
	s := sourceOf(t, old)
	dir := t.TempDir()
	_, err := Build(context.Background(), dir, s.options())
	must(t, err)
	if r := verifyClean(t, dir); r.Entries != s.snapshot.Size+2 || r.Sealed.Entries != 0 {
		t.Errorf("built: %s", r.Text())
	}
	j := open(t, Options{Dir: dir})
	if done := seal(t, j, sealOptions(200, archive)); len(done.Segments) == 0 {
		t.Errorf("nothing is sealed any more: %+v", done)
	}
	must(t, j.Close())
	verifyClean(t, dir)
	n := 0
	must(t, Scan(context.Background(), dir, 0, func(e record.Entry) error {
		if n < len(s.entries) && string(e.JSON) != string(s.entries[n]) {
			t.Errorf("entry %d is another", e.Seq)
		}
		n++
		return nil
	}))
}
