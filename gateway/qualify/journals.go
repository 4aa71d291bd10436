package qualify

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"time"

	"weighpost/gateway/clock"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// journalTests are those of the journal as evidence.
func (u *run) journalTests() []planned {
	return []planned{{"journal.verify", u.verify}, {"journal.edited", u.edited}, {"journal.shortened", u.shortened}}
}

func (u *run) verify(ctx context.Context, t *try) {
	t.tried("Held everything in the journal in %s against everything else: hashes, tree, signed checkpoints, numbers.", u.Config.Journal.Folder)
	t.expected("No fault.")
	r, err := journal.Verify(ctx, u.Config.Journal.Folder, "", nil)
	if err != nil {
		t.fail("The journal could not be examined: %v.", err)
		return
	}
	t.saw("%s: entries: %d, checkpoints: %d, the last good one covers %d; key %s; held elsewhere: %s.", r.Origin, r.Entries, r.Checkpoints, r.Signed, r.Key, r.Elsewhere)
	for _, n := range r.Notes {
		t.saw("Note: %s", n)
	}
	for _, f := range r.Faults {
		t.fail("%s.", f)
	}
	if r.More > 0 {
		t.fail("And %d faults more.", r.More)
	}
}

// edited changes one byte of an entry in a copy, as an editor of files would.
func (u *run) edited(ctx context.Context, t *try) {
	t.tried("In a scratch copy of the journal changed one byte of one entry in the file journal.db, and verified the copy.")
	t.expected("The copy is found to be altered, and the entry is named.")
	c := u.copyOf(ctx)
	if c.err != nil {
		t.notDone("There is no copy to edit: it ended at %s (see backup.restore).", c.step)
		return
	}
	folder := filepath.Join(u.scratch, "edited")
	if err := copyFolder(c.folder(u), folder); err != nil {
		t.fail("The copy could not be made: %v.", err)
		return
	}
	seq, err := editOne(ctx, folder, c.size)
	if err != nil {
		t.fail("No entry could be edited: %v.", err)
		return
	}
	t.saw("One byte of entry %d was changed.", seq)
	r, err := journal.Verify(ctx, folder, "", nil)
	switch {
	case err != nil:
		t.saw("The copy is refused: %v.", err)
	case r.Verified:
		t.fail("The edited copy passes for one as it was written.")
	default:
		t.saw("Found: %s.", r.Faults[0])
		for _, f := range r.Faults {
			if f.Seq == seq {
				return
			}
		}
		t.fail("The entry that was edited is not named.")
	}
}

// needle is how many bytes of an entry are looked for in the file: few enough to lie on one page.
const needle = 24

// editOne changes a byte of the first entry, from the middle on, whose bytes are found in the file.
func editOne(ctx context.Context, folder string, size uint64) (seq uint64, err error) {
	file := filepath.Join(folder, "journal.db")
	text, err := os.ReadFile(file)
	if err != nil {
		return 0, err
	}
	errDone := errors.New("done")
	err = journal.Scan(ctx, folder, size/2, func(e record.Entry) error {
		for from := len(e.JSON) / 2; from+needle <= len(e.JSON); from += needle {
			if at := bytes.Index(text, e.JSON[from:from+needle]); at >= 0 && !bytes.Contains(text[at+1:], e.JSON[from:from+needle]) {
				text[at+needle/2] ^= 1
				seq = e.Seq
				return errDone
			}
		}
		return nil
	})
	if !errors.Is(err, errDone) {
		return 0, errors.Join(err, errors.New("its bytes were not found in the file"))
	}
	return seq, os.WriteFile(file, text, 0o600)
}

// shortened puts an older file of a copy back, so that its newest entry is gone.
func (u *run) shortened(ctx context.Context, t *try) {
	t.tried("In a scratch copy of the journal added an entry, put the file journal.db of before back, and opened the copy as the daemon does.")
	t.expected("It is refused: it is shorter than its head says.")
	c := u.copyOf(ctx)
	if c.err != nil {
		t.notDone("There is no copy to shorten: it ended at %s (see backup.restore).", c.step)
		return
	}
	folder := filepath.Join(u.scratch, "shortened")
	if err := copyFolder(c.folder(u), folder); err != nil {
		t.fail("The copy could not be made: %v.", err)
		return
	}
	// The first opening ends what a restore leaves to it.
	for _, entry := range []bool{false, true} {
		if err := u.openOnce(ctx, folder, entry); err != nil {
			t.fail("The copy could not be opened and written: %v.", err)
			return
		}
		if !entry {
			if err := copyFile(folder, "journal.db", "before.db"); err != nil {
				t.fail("The file of before could not be kept: %v.", err)
				return
			}
		}
	}
	if err := copyFile(folder, "before.db", "journal.db"); err != nil {
		t.fail("The file of before could not be put back: %v.", err)
		return
	}
	j, err := journal.Open(ctx, journal.Options{Dir: folder, Site: u.Config.Site, Existing: true})
	if err == nil {
		_ = j.Close()
		t.saw("It was opened.")
		t.fail("A journal that lost its newest entry is taken for whole.")
		return
	}
	t.saw("Refused: %v.", err)
	var damaged *journal.Damaged
	if !errors.As(err, &damaged) {
		t.fail("It is refused, and not for being shorter.")
	}
}

// openOnce opens a scratch journal and closes it, with an entry between if asked for.
func (u *run) openOnce(ctx context.Context, folder string, entry bool) error {
	j, err := journal.Open(ctx, journal.Options{Dir: folder, Site: u.Config.Site, Existing: true})
	if err != nil {
		return err
	}
	if entry {
		_, err = j.Append(ctx, &record.SinkTried{Sink: "none", Reason: "a qualification test in a scratch copy", By: u.Actor, Stamp: clock.System{}.Stamp(time.Now())})
	}
	return errors.Join(err, j.Close())
}

func copyFile(folder, from, to string) error {
	text, err := os.ReadFile(filepath.Join(folder, from))
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(folder, to), text, 0o600)
}
