package qualify

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/backup"
	"weighpost/gateway/journal"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// backups are the tests of backup and restore.
func (u *run) backups() []planned {
	return []planned{{"backup.restore", u.restore}, {"backup.altered", u.alteredBackup}}
}

// restore holds a restored journal against the lab's: entries by their bytes, checkpoints by the tree, and counts.
func (u *run) restore(ctx context.Context, t *try) {
	t.tried("Made a backup of the journal, verified it, restored it into a scratch folder, verified that journal, and held it against the lab's: entries by their bytes, checkpoints by the hashes of the tree.")
	t.expected("The same number of entries with the same bytes, and every checkpoint holds in the restored journal as well.")
	c := u.copyOf(ctx)
	if c.err != nil {
		t.fail("It ended at %s: %v.", c.step, c.err)
		return
	}
	t.saw("Backup: %d entries, SHA-256 %s; %d of them compared with the journal, %d missing there; the journal has %d more by now.",
		c.size, c.verified.SHA256, c.verified.Compared, c.verified.Missing, c.verified.Beyond)
	if c.verified.Missing > 0 || c.verified.Compared != c.size {
		t.fail("The backup holds %d entries, and only %d of them are the journal's.", c.size, c.verified.Compared)
	}
	into := c.folder(u)
	t.saw("Restored: %d entries of the backup, %d with those that tell of the restore, as incarnation %s.", c.restored.Entries, c.restored.Head, c.restored.Incarnation)
	found, err := journal.Verify(ctx, into, filepath.Join(u.Config.Journal.Folder, "key.pub"), nil)
	switch {
	case err != nil:
		t.fail("The restored journal could not be verified: %v.", err)
		return
	case !found.Verified:
		t.fail("The restored journal has %d faults: %s.", len(found.Faults), found.Faults[0])
		return
	}
	t.saw("The restored journal verifies, with the journal's own public key.")
	u.sameEntries(ctx, t, c, into)
	u.sameCheckpoints(t, c, into)
}

// sameEntries compares the bytes of the first entries of both journals, all of them.
func (u *run) sameEntries(ctx context.Context, t *try, c *copied, into string) {
	var sums [2][sha256.Size]byte
	for i, folder := range []string{u.Config.Journal.Folder, into} {
		sum, err := sumOfEntries(ctx, folder, c.size)
		if err != nil {
			t.fail("The entries of %s could not be read: %v.", folder, err)
			return
		}
		sums[i] = sum
	}
	t.saw("All %d entries, byte for byte: SHA-256 %x in the journal, %x in the restored one.", c.size, sums[0], sums[1])
	if sums[0] != sums[1] {
		t.fail("The entries of the restored journal are not those of the journal.")
	}
}

// sumOfEntries is over the bytes of the first entries, each with its length before it.
func sumOfEntries(ctx context.Context, folder string, size uint64) (sum [sha256.Size]byte, err error) {
	p, err := journal.OpenProofs(folder, "")
	if err != nil {
		return sum, err
	}
	h := sha256.New()
	err = p.Each(ctx, 1, size, func(e record.Entry) error {
		h.Write(binary.BigEndian.AppendUint64(nil, uint64(len(e.JSON))))
		h.Write(e.JSON)
		return nil
	})
	copy(sum[:], h.Sum(nil))
	return sum, errors.Join(err, p.Close())
}

// sameCheckpoints holds each checkpoint of the journal, up to the backup's size, against the tree of the restored one.
func (u *run) sameCheckpoints(t *try, c *copied, into string) {
	ours, err := journal.OpenProofs(u.Config.Journal.Folder, "")
	if err != nil {
		t.fail("The checkpoints of the journal cannot be read: %v.", err)
		return
	}
	defer ours.Close()
	theirs, err := journal.OpenProofs(into, "")
	if err != nil {
		t.fail("The restored journal cannot be read: %v.", err)
		return
	}
	defer theirs.Close()
	n := 0
	err = ours.Checkpoints(c.size, func(note []byte) error {
		point, err := proof.Peek(note)
		if err != nil {
			return err
		}
		n++
		root := tlog.Hash{}
		if point.Size > 0 {
			root, err = theirs.Hash(0, point.Size)
		}
		if err == nil && point.Size > 0 && root != point.Root {
			err = fmt.Errorf("the checkpoint of %d entries says the root %s, and the restored journal has %s", point.Size, point.Root, root)
		}
		return err
	})
	t.saw("Checkpoints of the journal that hold in the restored one: %d.", n)
	if err != nil {
		t.fail("A checkpoint does not: %v.", err)
	} else if n == 0 {
		t.fail("The journal has no checkpoint.")
	}
}

// alteredBackup changes one byte of copies of the backup, and cuts one short: each has to be found out.
func (u *run) alteredBackup(ctx context.Context, t *try) {
	t.tried("Changed one byte at a quarter, half and three quarters of copies of the backup, and cut one short; then verified each.")
	t.expected("Each is found to be damaged or cut short.")
	c := u.copyOf(ctx)
	if c.err != nil {
		t.notDone("There is no backup to alter: it ended at %s (see backup.restore).", c.step)
		return
	}
	whole, err := os.ReadFile(c.file)
	if err != nil {
		t.fail("The backup cannot be read: %v.", err)
		return
	}
	for quarter := 1; quarter <= 3; quarter++ {
		at := len(whole) * quarter / 4
		copied := append([]byte{}, whole...)
		copied[at] ^= 1
		u.mustBeFound(ctx, t, fmt.Sprintf("byte %d changed", at), copied)
	}
	u.mustBeFound(ctx, t, "cut in the middle", whole[:len(whole)/2])
}

func (u *run) mustBeFound(ctx context.Context, t *try, what string, text []byte) {
	file := filepath.Join(u.scratch, "altered.tar")
	if err := os.WriteFile(file, text, 0o600); err != nil {
		t.fail("A copy could not be written: %v.", err)
		return
	}
	_, err := backup.VerifyFile(ctx, file, backup.Check{Scratch: u.scratch})
	var fault *backup.Fault
	switch {
	case err == nil:
		t.saw("%s: taken for good.", what)
		t.fail("A backup with %s is taken for good.", what)
	case errors.As(err, &fault):
		t.saw("%s: %s.", what, fault.Kind)
	default:
		t.saw("%s: refused: %v.", what, err)
	}
}
