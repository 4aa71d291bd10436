package journal

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"

	"weighpost/gateway/record"
)

func onMachine(name string) func() string { return func() string { return name } }

// A copy of a disk wakes up on another computer while the first goes on: no id is issued by both, and both verify.
func TestACloneIsAnotherIncarnation(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	j := open(t, Options{Dir: dir, Machine: onMachine("")})
	appendN(t, j, "b-7", 5) // which weighs no more
	if appendN(t, j, "b-12", 15); j.Begun() != nil {
		t.Error("a new journal says that it begins another life")
	}
	must(t, j.Close())
	j = open(t, Options{Dir: dir, Machine: onMachine("one")}) // one of before takes the mark
	first := j.Incarnation()
	if j.Begun() != nil || j.Head() != 20 {
		t.Errorf("to be marked is no other life: %+v", j.Begun())
	}
	must(t, j.SetCursor("lims", 7))
	must(t, j.Close())
	for _, same := range []string{"one", "", "one"} { // the same computer, or one that does not say
		j = open(t, Options{Dir: dir, Machine: onMachine(same)})
		if j.Incarnation() != first || j.Begun() != nil {
			t.Errorf("on computer %q it is %s, and was %s", same, j.Incarnation(), first)
		}
		must(t, j.Close())
	}
	copied := copyDir(t, dir)
	here, there := open(t, Options{Dir: dir, Machine: onMachine("one")}), open(t, Options{Dir: copied, Machine: onMachine("two")})
	b := there.Begun()
	if here.Begun() != nil || b == nil || b.Cause != record.LifeCloned || b.Predecessor.Incarnation != first || b.Predecessor.Entries != 20 {
		t.Fatalf("the clone begins with %+v", b)
	}
	if at, _ := there.Cursor("lims"); at != 7 {
		t.Errorf("the reader of the clone is at %d", at)
	}
	if e := appendN(t, there, "b-12", 20)[0]; e.ID != record.EntryID("north-lab", b.Incarnation, "b-12", 1) || e.Seq != 23 {
		t.Errorf("the clone's first weighing is %s, entry %d", e.ID, e.Seq)
	}
	appendN(t, here, "b-12", 20)
	must(t, errors.Join(here.Close(), there.Close()))
	ids := map[string]bool{}
	must(t, Scan(context.Background(), dir, 20, func(e record.Entry) error { ids[e.ID] = true; return nil }))
	must(t, Scan(context.Background(), copied, 20, func(e record.Entry) error {
		if ids[e.ID] {
			t.Errorf("the id %s was issued twice", e.ID)
		}
		return nil
	}))
	verifyClean(t, dir)
	r := verifyClean(t, copied)
	if len(r.Lives) != 2 || r.Lives[1].Cause != record.LifeCloned || r.Lives[1].First != 21 || len(r.Notes) != 0 {
		t.Errorf("lives: %+v, notes %q", r.Lives, r.Notes)
	}
	// Back again: a third life, and the journal goes on.
	j = open(t, Options{Dir: copied, Machine: onMachine("one")})
	appendN(t, j, "b-12", 3)
	must(t, j.Close())
	if r := verifyClean(t, copied); len(r.Lives) != 3 || r.Lives[2].Incarnation == first || r.Signed != r.Entries {
		t.Errorf("lives: %+v", r.Lives)
	}
}

// Looking at a copy on another computer changes nothing.
func TestLookingAtACloneBeginsNoLife(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	j := open(t, Options{Dir: dir, Machine: onMachine("one")})
	appendN(t, j, "b-12", 5)
	must(t, j.Close())
	before := snapshot(t, dir)
	verifyClean(t, dir)
	_, err := SnapshotDir(context.Background(), dir)
	must(t, err)
	if f, err := Look(context.Background(), dir); err != nil || f.Entries != 5 || !f.Present {
		t.Errorf("found %+v, %v", f, err)
	}
	if after := snapshot(t, dir); after != before {
		t.Errorf("the folder was changed:\n%s\n%s", before, after)
	}
}

// The power is cut at each operation by which a life begins: the journal opens on either computer, and verifies.
func TestALifeBeginsWholeOrNotAtAll(t *testing.T) {
	t.Parallel()
	random, seed := newSeed(t)
	begun, not := 0, 0
	for try := range rounds(2, 20) {
		for at := 1; ; at++ {
			c := newCutter(t, random, "FULL")
			o := c.options()
			o.signEvery, o.idleAfter, o.Machine = 1<<40, 1<<40, onMachine("one")
			j, err := Open(context.Background(), o)
			must(t, err)
			_, err = j.Append(context.Background(), weighing("b-12", 1))
			must(t, err)
			must(t, j.Close())
			c.disk.mu.Lock()
			c.disk.cutAt = c.disk.ops + at
			c.disk.mu.Unlock()
			o.Machine = onMachine("two")
			if j, err = Open(context.Background(), o); err == nil {
				_ = j.Close()
			}
			whole := !c.cut()
			when := fmt.Sprintf("seed %d, try %d, cut at operation %d (%v)", seed, try, at, err)
			c.disk = c.disk.reboot(t.TempDir())
			r, err := verifyOn(context.Background(), c.disk, c.dir, "", nil)
			if err != nil || !r.Verified {
				t.Fatalf("%s: %v\n%s", when, err, r.Text())
			}
			o.disk = c.disk
			if j, err = Open(context.Background(), o); err != nil {
				t.Fatalf("%s: it does not open: %v", when, err)
			}
			if len(r.Lives) == 2 {
				begun++
			} else if not++; j.Begun() == nil {
				t.Errorf("%s: no life was begun at the next opening", when)
			}
			_, err = j.Append(context.Background(), weighing("b-12", 2))
			must(t, err)
			must(t, j.Close())
			r, err = verifyOn(context.Background(), c.disk, c.dir, "", nil)
			if err != nil || !r.Verified || len(r.Lives) != 2 || r.Signed != r.Entries {
				t.Fatalf("%s: %v\n%s", when, err, r.Text())
			}
			c.disk.unplug()
			if whole {
				break
			}
		}
	}
	if begun == 0 || not == 0 {
		t.Errorf("%d cuts after the life began and %d before: they do not meet both sides", begun, not)
	}
	t.Logf("%d cuts: the life was begun after %d, and not yet after %d", begun+not, begun, not)
}

// The power is cut at each operation of a build: the folder holds nothing that opens as a journal, and says so, or all of it.
func TestABuildIsWholeOrNotAtAll(t *testing.T) {
	t.Parallel()
	random, seed := newSeed(t)
	s := sourceOf(t, recordedThere(t, 30))
	whole, refused, none := 0, 0, 0
	for at := 1; ; at += rounds(3, 1) {
		c := newCutter(t, random, "FULL")
		c.disk.cutAt = at
		b := s.options()
		b.disk = c.disk
		_, berr := Build(context.Background(), c.dir, b)
		done := !c.cut()
		when := fmt.Sprintf("seed %d, cut at operation %d (%v)", seed, at, berr)
		c.disk = c.disk.reboot(t.TempDir())
		o := c.options()
		o.disk, o.Existing = c.disk, false
		j, err := Open(context.Background(), o)
		switch {
		case err != nil && strings.Contains(err.Error(), "was being restored from a backup when that was cut short"):
			refused++
			b.disk = c.disk
			if _, err := Build(context.Background(), c.dir, b); err != nil {
				t.Fatalf("%s: it cannot be built again: %v", when, err)
			}
		case err != nil:
			t.Fatalf("%s: it does not open: %v", when, err)
		case j.Head() == 0:
			none++ // nothing had reached the disk: a journal of its own
			must(t, j.Close())
		default:
			whole++
			must(t, j.Close())
			r, err := verifyOn(context.Background(), c.disk, c.dir, "", nil)
			if err != nil || !r.Verified || len(r.Lives) != 2 || r.Entries < s.snapshot.Size+2 {
				t.Fatalf("%s: %v\n%s", when, err, r.Text())
			}
		}
		if berr == nil && whole == 0 {
			t.Fatalf("%s: the build was reported done, and is gone", when)
		}
		c.disk.unplug()
		if done {
			break
		}
	}
	t.Logf("seed %d: whole after %d cuts, to be built again after %d, nothing there after %d", seed, whole, refused, none)
	if whole == 0 || refused == 0 {
		t.Error("the cuts do not meet both sides")
	}
}
