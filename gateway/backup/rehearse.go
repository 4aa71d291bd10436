package backup

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"filippo.io/age"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// Check says how a backup is verified.
type Check struct {
	// Key is the text of the public key that is trusted; "": the one in the backup.
	Key string
	// Journal is the living journal to compare with, entry by entry; nil: none.
	Journal Reader
	// Scratch is a folder in which a journal is built from the backup for trial; "": the system's for temporary files.
	Scratch string
	// Identities open the secrets, so that they are read too.
	Identities []age.Identity
	Progress   func(done, total uint64) // may be nil
}

// Reader gives the entries of a living journal.
type Reader interface {
	Read(ctx context.Context, after uint64, max int) ([]record.Entry, error)
}

// Result is what was found out about a backup.
type Result struct {
	Manifest Manifest
	SHA256   string
	Rebuilt  bool     // a journal was built from it, and verified
	Compared uint64   // entries that are the same in the living journal
	Beyond   uint64   // entries that the living journal has beyond the backup
	Missing  uint64   // entries of the backup that the living journal does not have
	Kept     int      // files that were kept beside the journal, each as its hash says
	Absent   []string // of those, what entries name and the backup lacks, a sentence each
	Secrets  int      // files in the encrypted part, where they could be opened
}

// VerifyFile verifies a backup: all that Verify does, and a journal is built from it in a scratch folder and verified, and its
// entries are compared with the living journal's. What is wrong with the backup is a *Fault.
func VerifyFile(ctx context.Context, path string, c Check) (r Result, err error) {
	b, err := Open(path)
	if err != nil {
		return r, err
	}
	defer b.Close()
	r.Manifest = b.Manifest()
	if err := b.Verify(ctx, c.Key, nil); err != nil {
		return r, err
	}
	r.Kept, r.Absent = b.Kept()
	if r.SHA256, err = b.SHA256(ctx); err != nil {
		return r, err
	}
	if len(c.Identities) > 0 {
		secrets, err := b.Secrets(c.Identities...)
		if err != nil {
			return r, err
		}
		r.Secrets = len(secrets)
	}
	if c.Journal != nil {
		if err := b.compare(ctx, c.Journal, &r); err != nil {
			return r, err
		}
	}
	err = b.rehearse(ctx, c)
	r.Rebuilt = err == nil
	return r, err
}

// compare holds the entries against those of a journal.
func (b *File) compare(ctx context.Context, j Reader, r *Result) error {
	ahead := &ahead{ctx: ctx, j: j}
	err := b.entries(ctx, func(raw []byte, e record.Entry, _ *tree) error {
		have, err := ahead.next(e.Seq)
		switch {
		case err != nil:
			return err
		case have == nil:
			r.Missing++
		case !bytes.Equal(have, raw):
			return b.fault(Foreign, "its entry %d is another one than the journal's, so they are not two copies of one journal", e.Seq)
		default:
			r.Compared++
		}
		return nil
	})
	if err != nil || r.Missing > 0 {
		return err
	}
	for at := r.Compared; ; { // how much has been recorded since: the entries themselves are of no interest here
		more, err := j.Read(ctx, at, readAtOnce)
		if err != nil {
			return fmt.Errorf("the journal cannot be read: %w", err)
		}
		if len(more) == 0 {
			return nil
		}
		at = more[len(more)-1].Seq
		r.Beyond = at - r.Compared
	}
}

// ahead reads a journal a few hundred entries at once.
type ahead struct {
	ctx   context.Context
	j     Reader
	batch []record.Entry
	ended bool
}

// next gives the bytes of the next entry, which has this sequence, or nil after the last.
func (a *ahead) next(seq uint64) ([]byte, error) {
	if len(a.batch) == 0 && !a.ended {
		var err error
		if a.batch, err = a.j.Read(a.ctx, seq-1, readAtOnce); err != nil {
			return nil, fmt.Errorf("the journal cannot be read: %w", err)
		}
		a.ended = len(a.batch) == 0
	}
	if a.ended {
		return nil, nil
	}
	e := a.batch[0]
	a.batch = a.batch[1:]
	return e.JSON, nil
}

const faultKey = "key"

// rehearse builds a journal from the backup in a scratch folder, verifies it, and throws it away.
func (b *File) rehearse(ctx context.Context, c Check) (err error) {
	scratch, err := os.MkdirTemp(c.Scratch, ".rehearsal-")
	if err != nil {
		return fmt.Errorf("there is no scratch folder for building a journal from the backup: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(scratch)) }()
	dir := filepath.Join(scratch, "journal")
	s, err := b.Snapshot()
	if err != nil {
		return err
	}
	key, err := b.PublicKey()
	if err != nil {
		return err
	}
	_, err = journal.Build(ctx, dir, journal.BuildOptions{
		Snapshot: s, PublicKey: key, Progress: c.Progress,
		Entries: func(ctx context.Context, each func(raw []byte) error) error {
			return b.entries(ctx, func(raw []byte, _ record.Entry, _ *tree) error { return each(raw) })
		},
		Restored: record.Restored{Cause: record.LifeRestored, Reason: "rehearsal",
			Actor: record.Actor{ID: "weighpost", By: record.ActorSoftware}, Stamp: b.manifest.Made,
			Backup: &record.RestoredBackup{File: b.Name(), Entries: s.Size, Checkpoint: string(s.Checkpoint), Made: b.manifest.Made.UTC}},
	})
	if err != nil {
		return fmt.Errorf("no journal could be built from the backup %s: %w", b.name, err)
	}
	report, err := journal.Verify(ctx, dir, "", c.Progress)
	if err != nil {
		return fmt.Errorf("the journal that was built from the backup %s cannot be verified: %w", b.name, err)
	}
	for _, f := range report.Faults {
		if f.Kind == journal.FaultCheckpoint || f.Kind == faultKey {
			continue // the signing key was not at hand, so that nobody vouches for that of the trial; Verify has seen to the checkpoints
		}
		return b.fault(Damaged, "the journal that was built from it has a fault: %s: %s", f.Kind, f.What)
	}
	return nil
}

// IsOld says that a backup is older than it should be, as a *Fault, or nil.
func (r *Result) IsOld(path string, overdue time.Duration, now time.Time) error {
	age := now.Sub(r.Manifest.madeAt())
	if age <= overdue {
		return nil
	}
	return &Fault{Old, path, fmt.Sprintf("it was made on %s, %.0f hours ago, and %d entries were recorded since", r.Manifest.Made.UTC, age.Hours(), r.Beyond)}
}
