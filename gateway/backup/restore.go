package backup

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// RestoreOrder says what is to be restored, and where.
type RestoreOrder struct {
	Into string // the journal's folder
	Key  string // text of the public key to verify with, kept elsewhere; "": the backup's own
	// SigningKey is what Secrets gave under that name: the new key is vouched for by it. "": it counts as lost.
	SigningKey string
	// Replace allows to put a journal aside that has, or may have, entries that the backup lacks. It needs a reason.
	Replace bool
	Reason  string
	Known   []KnownCheckpoint
	// Witnesses is asked for the destinations once the backup was verified and nothing in the folder forbids the restore; it may
	// be nil.
	Witnesses func() ([]Witness, error)
	By        record.Actor
	// ConfirmedBy is the second person, where the signing key is lost; it may be nil.
	ConfirmedBy *record.Actor
	Stamp       record.Stamp
	Progress    func(done, total uint64) // of whatever is under way; may be nil
}

// Restoration is what became of a restore.
type Restoration struct {
	Into        string               `json:"into"`
	Kept        string               `json:"kept,omitempty"` // the folder that was in its place
	Origin      string               `json:"origin"`
	Incarnation string               `json:"incarnation"`
	Predecessor string               `json:"predecessor"` // incarnation that it goes on from
	Entries     uint64               `json:"entries"`     // taken from the backup
	Head        uint64               `json:"head"`        // with those that tell of the restore
	PublicKey   string               `json:"public_key"`  // text of the new key
	KeyVouched  bool                 `json:"key_vouched"` // by the one before
	Learnt      []record.LearntHead  `json:"learnt"`
	Missing     *record.KnownMissing `json:"known_missing,omitempty"`
	Files       int                  `json:"kept_files"`          // that were kept beside the journal, and are back there
	FilesAbsent []string             `json:"kept_files_not_held"` // that entries name and the backup lacks, a sentence each
}

// Restore verifies a backup and builds a journal of it, as a new incarnation. Before, it learns what is known of entries that
// came after the backup: from the folder that is replaced, from checkpoints that somebody kept, and from destinations; what is
// known to be missing is recorded in the first entry. After, the whole journal is verified where it stands. An error means
// that the folder is as it was, unless it says otherwise.
func (b *File) Restore(ctx context.Context, o RestoreOrder) (Restoration, error) {
	if o.Replace && strings.TrimSpace(o.Reason) == "" {
		return Restoration{}, errors.New("to put another journal aside needs a reason: say why with --reason")
	}
	if err := b.Verify(ctx, o.Key, o.Progress); err != nil {
		return Restoration{}, err
	}
	s, err := b.Snapshot()
	if err != nil {
		return Restoration{}, err
	}
	public, err := b.PublicKey()
	if err != nil {
		return Restoration{}, err
	}
	if journal.InUse(o.Into) {
		return Restoration{}, fmt.Errorf("the journal in %s is in use: stop the weighpost that writes it, and restore again", o.Into)
	}
	found, err := journal.Look(ctx, o.Into)
	if err != nil {
		return Restoration{}, err
	}
	l, err := newLearner(b, s, public)
	if err == nil {
		err = l.scan(ctx)
	}
	if err != nil {
		return Restoration{}, err
	}
	if why := l.more(found); why != "" && !o.Replace {
		return Restoration{}, fmt.Errorf("the folder %s holds %s. To put it aside, where it is kept under another name, say --replace and --reason TEXT", o.Into, why)
	}
	l.folder(found)
	for _, k := range o.Known {
		l.checkpoint("checkpoint "+k.Where, k.Note)
	}
	if o.Witnesses != nil {
		all, err := o.Witnesses()
		if err != nil {
			return Restoration{}, err
		}
		for _, w := range all {
			l.witness(ctx, w)
		}
	}
	if err := errors.Join(l.agree(ctx), ctx.Err()); err != nil {
		return Restoration{}, err
	}
	return b.rebuild(ctx, o, l, public)
}

// more says in words what a folder may hold that the backup lacks, or "".
func (l *learner) more(f journal.Found) string {
	switch {
	case !f.Present:
		return ""
	case f.Incarnation == "":
		return "a journal, or a part of one, that does not say how far it had come"
	case f.Incarnation != l.s.Incarnation && l.lives[f.Incarnation]:
		return fmt.Sprintf("an earlier life of this journal (incarnation %s) with %d entries, some of which the backup may lack", f.Incarnation, f.Entries)
	case f.Incarnation != l.s.Incarnation:
		return fmt.Sprintf("another journal (incarnation %s) with %d entries", f.Incarnation, f.Entries)
	case f.Entries > l.s.Size:
		return fmt.Sprintf("the same journal with %d entries, and the backup has %d of them", f.Entries, l.s.Size)
	}
	return ""
}

// rebuild builds the journal, and verifies it.
func (b *File) rebuild(ctx context.Context, o RestoreOrder, l *learner, public string) (Restoration, error) {
	r := record.Restored{
		Cause: record.LifeRestored, Predecessor: l.head, Learnt: l.out, Missing: l.missing(), Reason: o.Reason, Actor: o.By, Stamp: o.Stamp,
		Backup: &record.RestoredBackup{File: b.Name(), Entries: l.s.Size, Checkpoint: b.manifest.Checkpoint, Made: b.manifest.Made.UTC},
	}
	built, kept, err := journal.Rebuild(ctx, o.Into, journal.BuildOptions{
		Snapshot: l.s, PublicKey: public, Key: o.SigningKey, Restored: r, ConfirmedBy: o.ConfirmedBy, Progress: o.Progress,
		Entries: func(ctx context.Context, each func([]byte) error) error {
			return b.entries(ctx, func(raw []byte, _ record.Entry, _ *tree) error { return each(raw) })
		},
		Beside: b.putKept,
	})
	done := Restoration{
		Into: o.Into, Kept: kept, Origin: built.Origin, Incarnation: built.Incarnation, Predecessor: l.s.Incarnation, Entries: l.s.Size,
		Head: built.Head, PublicKey: built.PublicKey, KeyVouched: built.Vouched, Learnt: l.out, Missing: r.Missing,
	}
	if err != nil {
		return done, err
	}
	done.Files, done.FilesAbsent = b.Kept()
	report, err := journal.Verify(ctx, o.Into, "", o.Progress)
	if err != nil {
		return done, fmt.Errorf("the journal was restored to %s, and could not be verified there: %w", o.Into, err)
	}
	if !report.Verified {
		f := report.Faults[0]
		return done, fmt.Errorf("the journal was restored to %s, and has faults there (entry %d: %s): do not use it, and restore another backup. "+
			"weighpost journal verify tells all", o.Into, f.Seq, f.What)
	}
	return done, nil
}
