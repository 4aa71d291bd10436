package journal

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"

	"github.com/ncruces/go-sqlite3"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// buildName is the folder in which a journal is built from a backup. It is not the one in which a new journal is made: what a
// cut leaves of a restore must never be taken for leave to begin anew.
const buildName = "building"

// BuildOptions says what a journal is built from.
type BuildOptions struct {
	Snapshot Snapshot
	// Entries gives the exact bytes of the entries 1 to Snapshot.Size to each, in order. They are good until each returns.
	Entries func(ctx context.Context, each func(raw []byte) error) error
	// PublicKey is the text of the key that the snapshot's checkpoint is signed with, and Key that of its secret half, as the
	// file key holds it: "" where it is lost.
	PublicKey, Key string
	// Restored tells why another life begins. Build fills in names, and raises the predecessor's head to Snapshot.Size.
	Restored record.Restored
	// ConfirmedBy is the second person where the key is lost; nil: nobody has confirmed it yet.
	ConfirmedBy *record.Actor
	// Beside puts what is kept beside the journal into the folder that is being built, below KeptFolder, and has it on the disk; it may
	// be nil. It comes to its place with the journal, or not at all.
	Beside func(ctx context.Context, dir string) error
	// Progress is told how many entries are done; it may be nil.
	Progress func(done, total uint64)

	disk disk // nil: the real one
}

// Built is what became of a journal that was built.
type Built struct {
	Incarnation string
	Origin      string
	PublicKey   string // text of the new key
	Vouched     bool   // by the old one
	Head        uint64 // its last entry
}

// Build makes a journal in an empty folder from entries and the state beside them, as a new incarnation: the tree and the
// sequences go on, numbers begin again with 1, and so no id of the journal that it came from is ever issued again. Its first
// own entries say what it goes on from (restored) and by which new key it signs (key-rotated), which the old key vouches for
// where it is there. Readers' cursors stay where they were: what came after is delivered again, or for the first time.
//
// A cut at any moment leaves the folder empty but for a folder "building", which the next Build removes and Open refuses, or
// with the whole journal. Errors: the folder holds a journal, or is in use; the entries are not those that the checkpoint
// signs; the disk's.
func Build(ctx context.Context, dir string, o BuildOptions) (_ Built, err error) {
	if o.disk == nil {
		o.disk = osDisk{}
	}
	if err := o.disk.Mkdir(dir); err != nil {
		return Built{}, fmt.Errorf("the journal's folder cannot be made: %w", err)
	}
	lock, err := takeLock(dir)
	if err != nil {
		return Built{}, err
	}
	defer func() { err = errors.Join(err, lock.release()) }()
	if err := empty(o.disk, dir); err != nil {
		return Built{}, err
	}
	b := &builder{o: o, d: o.disk, dir: in(dir, buildName)}
	if err := b.build(ctx); err != nil {
		err = explain(err)
		if left, lerr := Free(dir); lerr == nil && left < littleLeft && !errors.Is(err, sqlite3.FULL) {
			err = fmt.Errorf("the disk is full, or nearly so (%d bytes are left): %w", left, err) // SQLite tells some of it as an error of the disk
		}
		if ctx.Err() != nil {
			err = ctx.Err()
		}
		return Built{}, errors.Join(fmt.Errorf("no journal was built in %s: %w", dir, err), b.d.RemoveAll(b.dir))
	}
	// From here on it is whole: what is left is what making a journal does too, and Open completes it.
	err = errors.Join(b.d.Rename(b.dir, in(dir, stageName)), b.d.SyncDir(dir))
	if err == nil {
		err = moveIn(b.d, dir)
	}
	if err != nil {
		err = fmt.Errorf("all of the journal was built, and its files could not be moved to their place in %s: %w. Restore again", dir, err)
	}
	return b.built, err
}

// littleLeft is less than a build needs for anything.
const littleLeft = 256 << 10

// empty refuses a folder that holds anything of a journal.
func empty(d disk, dir string) error {
	for _, name := range []string{dbName, dbName + walSuffix, headName, keyName, pubName, KeptFolder, stageName + "/" + dbName} {
		there, err := d.Exists(in(dir, name))
		if err != nil {
			return fmt.Errorf("the folder %s cannot be read: %w", dir, err)
		}
		if there {
			return fmt.Errorf("the folder %s already holds %s of a journal, and nothing is put in its place", dir, name)
		}
	}
	return nil
}

// builder builds one journal in a folder of its own.
type builder struct {
	o     BuildOptions
	d     disk
	dir   string
	store *store
	sign  proof.Checkpoint // what the snapshot's checkpoint says
	at    edge
	ids   *identities
	batch int // bytes since the last commit
	built Built
}

func (b *builder) build(ctx context.Context) (err error) {
	if err := b.checkSnapshot(); err != nil {
		return err
	}
	// The folder tells Open of a restore that was cut short, so it has to be on the disk.
	if err := errors.Join(b.d.RemoveAll(b.dir), b.d.Mkdir(b.dir), b.d.SyncDir(filepath.Dir(b.dir))); err != nil {
		return err
	}
	name := in(b.dir, "building.db")
	if b.store, err = openStore(b.d, name, "FULL"); err != nil {
		return err
	}
	err = b.fill(ctx)
	if err = errors.Join(err, b.store.close()); err != nil {
		return err
	}
	if b.o.Beside != nil {
		if err := b.o.Beside(ctx, b.dir); err != nil {
			return err
		}
	}
	return errors.Join(b.d.SyncDir(b.dir), b.d.Rename(name, in(b.dir, dbName)), b.d.SyncDir(b.dir))
}

// fill puts everything into the new files. When it returns, all of it is synced.
func (b *builder) fill(ctx context.Context) error {
	err := migrate(b.store.db, 0, steps)
	if err == nil {
		err = b.store.prepare()
	}
	if err == nil {
		err = b.entries(ctx)
	}
	if err != nil {
		return err
	}
	secret, err := b.begin()
	if err != nil {
		return err
	}
	done, err := b.store.fold(true)
	if err == nil && !done {
		err = errors.New("another process is reading what is being built")
	}
	root, rerr := b.at.root()
	return errors.Join(err, rerr,
		writeWhole(b.d, in(b.dir, keyName), []byte(secret+"\n"), 0o600),
		writeWhole(b.d, in(b.dir, pubName), []byte(b.built.PublicKey+"\n"), 0o644),
		writeWhole(b.d, in(b.dir, headName), headImage(headState{seq: b.at.size, root: root, incarnation: b.built.Incarnation}), 0o640))
}

// checkSnapshot holds the snapshot against its own checkpoint and key.
func (b *builder) checkSnapshot() error {
	s := &b.o.Snapshot
	if err := record.CheckName(s.Site); err != nil {
		return fmt.Errorf("the site's name %w", err)
	}
	key, err := proof.ParseKey(b.o.PublicKey)
	if err != nil {
		return err
	}
	b.sign, err = proof.Open(s.Checkpoint, key)
	switch {
	case err != nil:
		return fmt.Errorf("its checkpoint cannot be believed: %w", err)
	case b.sign.Origin != s.Origin || b.sign.Size != s.Size:
		return fmt.Errorf("its checkpoint is of %q with %d entries, and it says that it is %q with %d", b.sign.Origin, b.sign.Size, s.Origin, s.Size)
	}
	return nil
}

// How much is committed at once, and how far the WAL grows before it is copied back: memory and disk stay bounded.
const buildBatch, buildFold = 4 << 20, 16 << 20

// entries takes all entries, hashes them anew, and holds them against the checkpoint.
func (b *builder) entries(ctx context.Context) error {
	s := &b.o.Snapshot
	b.ids = newIdentities()
	b.ids.full = true
	if err := b.store.db.Exec("BEGIN IMMEDIATE"); err != nil {
		return err
	}
	if err := b.o.Entries(ctx, func(raw []byte) error { return errors.Join(b.entry(raw), ctx.Err()) }); err != nil {
		return err // what was begun ends with the connection, and all of it is thrown away
	}
	if err := b.store.db.Exec("COMMIT"); err != nil {
		return err
	}
	root, err := b.at.root()
	switch {
	case err != nil:
		return err
	case b.at.size != s.Size:
		return fmt.Errorf("it holds %d entries, and its checkpoint covers %d", b.at.size, s.Size)
	case root != b.sign.Root:
		return errors.New("its entries are not those that its checkpoint signs (tree hash differs)")
	}
	return b.ids.checkNumbers(s.Incarnation, s.Numbers, false)
}

// entry takes the next one.
func (b *builder) entry(raw []byte) error {
	seq := b.at.size + 1
	if seq > b.o.Snapshot.Size {
		return fmt.Errorf("it holds more than the %d entries that its checkpoint covers", b.o.Snapshot.Size)
	}
	e, what := b.ids.check(seq, raw)
	if what != "" {
		return fmt.Errorf("entry %d: %s", seq, what)
	}
	hashes, err := b.at.add(tlog.RecordHash(raw))
	if err != nil {
		return err
	}
	if err := errors.Join(b.store.putEntry(seq, raw, joinHashes(nil, hashes)), b.store.noteReleased(e)); err != nil {
		return err
	}
	if b.batch += len(raw); b.batch < buildBatch {
		return nil
	}
	b.batch = 0
	if b.o.Progress != nil {
		b.o.Progress(seq, b.o.Snapshot.Size)
	}
	if err := b.store.db.Exec("COMMIT"); err != nil {
		return err
	}
	if b.store.walPages*pageSize >= buildFold {
		if _, err := b.store.fold(false); err != nil {
			return err
		}
	}
	return b.store.db.Exec("BEGIN IMMEDIATE")
}

// begin writes the first entries of the new life and the state, in one transaction, and gives the new secret key.
func (b *builder) begin() (secret string, err error) {
	s := &b.o.Snapshot
	if err := b.name(); err != nil {
		return "", err
	}
	secret, b.built.PublicKey, err = note.GenerateKey(rand.Reader, b.built.Origin)
	if err != nil {
		return "", err
	}
	restored, rotated, err := b.bodies()
	if err != nil {
		return "", err
	}
	d := newDraft(&state{incarnation: b.built.Incarnation, edge: b.at}, s.Site)
	if _, err := d.add([]record.Body{restored, rotated}); err != nil {
		return "", err
	}
	b.at, b.built.Head = d.edge, d.edge.size
	signer, err := note.NewSigner(secret)
	if err != nil {
		return "", err
	}
	signed, err := signHead(signer, b.built.Origin, &b.at)
	if err != nil {
		return "", err
	}
	return secret, transact(b.store.db, func() error {
		for _, r := range d.rows {
			if err := b.store.putEntry(r.entry.Seq, r.entry.JSON, r.hashes); err != nil {
				return err
			}
		}
		return errors.Join(b.state(), b.keys(), b.store.putCheckpoint(b.at.size, signed),
			putMeta(b.store.db, "incarnation", b.built.Incarnation), putMeta(b.store.db, "origin", b.built.Origin))
	})
}

// name draws a name that no life of this journal has had.
func (b *builder) name() (err error) {
	for b.built.Incarnation == "" || b.ids.life.knows(b.built.Incarnation) {
		if b.built.Incarnation, err = newIncarnation(); err != nil {
			return err
		}
	}
	b.built.Origin = fmt.Sprintf("weighpost/%s/%s", b.o.Snapshot.Site, b.built.Incarnation)
	return nil
}

// bodies makes the first two entries of the new life.
func (b *builder) bodies() (*record.Restored, *record.KeyRotated, error) {
	s, r := &b.o.Snapshot, b.o.Restored
	r.Incarnation, r.Origin = b.built.Incarnation, b.built.Origin
	r.Predecessor.Incarnation, r.Predecessor.Origin = s.Incarnation, s.Origin
	if p := &r.Predecessor; p.Entries <= s.Size {
		p.Entries, p.Root = s.Size, b.sign.Root.String()
		if p.From == "" {
			p.From = "backup"
		}
	}
	k := &record.KeyRotated{
		Origin: r.Origin, OldKey: strings.TrimSpace(b.o.PublicKey), NewKey: b.built.PublicKey, Cause: record.KeyRestored,
		By: r.Actor, Reason: "the journal goes on as another incarnation", Stamp: r.Stamp,
	}
	if b.o.Key == "" {
		k.Cause, k.ConfirmedBy, k.Reason = record.KeyLost, b.o.ConfirmedBy, "the signing key was not in what the journal was restored from"
		return &r, k, nil
	}
	signed, err := vouch(b.o.Key, k.OldKey, k.NewKey)
	k.Note, b.built.Vouched = string(signed), err == nil
	return &r, k, err
}

// vouch has an old key say which is the next one, and makes sure that it is the secret half of the public key that is known.
func vouch(secret, public, next string) ([]byte, error) {
	signer, err := note.NewSigner(strings.TrimSpace(secret))
	if err != nil {
		return nil, fmt.Errorf("what should be the signing key is none: %w", err)
	}
	known, err := proof.ParseKey(public)
	if err != nil {
		return nil, err
	}
	signed, err := proof.Vouch(signer, next)
	if err != nil {
		return nil, err
	}
	if _, err := proof.OpenVouch(signed, known); err != nil {
		return nil, fmt.Errorf("the signing key is not the one whose public half is known (%s)", proof.KeyID(known))
	}
	return signed, nil
}

// keys notes which key is in force from which entry on: those of before, and the new one from its entry, the last, on.
func (b *builder) keys() error {
	rows := maps.Clone(b.o.Snapshot.Keys)
	if len(rows) == 0 { // the first key was never changed, and was not noted
		rows = map[uint64]string{0: strings.TrimSpace(b.o.PublicKey)}
	}
	rows[b.built.Head] = b.built.PublicKey
	for _, from := range slices.Sorted(maps.Keys(rows)) {
		if err := putMeta(b.store.db, keyRow(from), rows[from]); err != nil {
			return err
		}
	}
	return nil
}

// state puts in what stands beside the entries. No reader is ahead of what there is.
func (b *builder) state() error {
	s, size := &b.o.Snapshot, b.o.Snapshot.Size
	for _, c := range append(slices.Clone(s.Checkpoints), SavedNote{size, s.Checkpoint}) {
		if c.Size > size {
			return fmt.Errorf("it holds a checkpoint of %d entries, and has %d", c.Size, size)
		}
		if err := b.store.putCheckpoint(c.Size, c.Note); err != nil {
			return err
		}
	}
	for _, name := range slices.Sorted(maps.Keys(s.Cursors)) {
		if err := errors.Join(checkCursor(name), b.store.putCursor(name, min(s.Cursors[name], size))); err != nil {
			return err
		}
	}
	for _, name := range slices.Sorted(maps.Keys(s.Goals)) {
		if err := putMeta(b.store.db, goalPrefix+name, s.Goals[name]); err != nil {
			return err
		}
	}
	for _, name := range slices.Sorted(maps.Keys(s.Notes)) {
		n, ok := parseNoted(s.Notes[name])
		if !ok || n.seq > size || checkCursor(name) != nil {
			return fmt.Errorf("what it keeps as %.40q cannot be", name)
		}
		if err := putMeta(b.store.db, notePrefix+name, s.Notes[name]); err != nil {
			return err
		}
	}
	for _, p := range s.Parked {
		if p.Entry < 1 || p.Notice <= p.Entry || p.Notice > size {
			return fmt.Errorf("it says that entry %d is parked by entry %d, which cannot be", p.Entry, p.Notice)
		}
		if err := b.store.putParked(p.Cursor, p.Entry, p.Notice); err != nil {
			return err
		}
	}
	return nil
}
