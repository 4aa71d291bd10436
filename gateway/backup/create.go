package backup

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"

	"weighpost/gateway/journal"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
	"weighpost/gateway/segment"
)

// Source is the journal that is backed up. *journal.Journal is one.
type Source interface {
	Snapshot(ctx context.Context) (journal.Snapshot, error)
	Read(ctx context.Context, after uint64, max int) ([]record.Entry, error)
}

// Order says what goes into a backup, and where that goes.
type Order struct {
	Folder string // that the file goes to; it is not made: a share that is not mounted must show
	Name   string // of the file; "": FileName's

	Journal   Source
	PublicKey []byte // the journal's key.pub
	Made      record.Stamp
	By        record.Actor
	Software  record.Software
	Config    []ConfigFile // From and Text; the configuration itself first
	// Secrets go into the encrypted part, if there are Recipients, and are otherwise told among what is not held.
	Secrets    []Secret
	Recipients []string
	Kept       string   // the folder with the files that entries name; "": there is none
	NotHeld    []string // what can go into no backup, a sentence each

	Progress func(done, total uint64) // may be nil
	// Room says how many bytes may be written to the disk of a folder before they take what recording needs there; nil: it is not
	// asked, and a backup ends where the disk does.
	Room func(folder string) (int64, error)
}

// Made is a backup that was written, read back and found good.
type Made struct {
	Manifest Manifest
	Folder   string
	Name     string
	Size     int64
	SHA256   string
}

// ErrNamed says that there is a file of the name that the backup was to get.
var ErrNamed = errors.New("is there already, and is not replaced")

// readAtOnce is how many entries one read of the journal takes: few, so that its WAL is never held up for long.
const readAtOnce = 500

// Create writes a backup, reads it back as Verify does, and only then gives it its name. After an error nothing is left under
// that name, and what was half written is removed, or by the next Create. The journal is only read.
func Create(ctx context.Context, o Order) (Made, error) {
	root, err := os.OpenRoot(o.Folder)
	if err != nil {
		return Made{}, fmt.Errorf("the folder for backups cannot be used: %w. Mount or make it, and give weighpost's user the right to write there", err)
	}
	defer root.Close()
	s, err := o.Journal.Snapshot(ctx)
	if err != nil {
		return Made{}, fmt.Errorf("the journal cannot be backed up: %w", err)
	}
	if o.Name == "" {
		o.Name = FileName(s.Site, s.Incarnation, o.Made.UTC.Time())
	}
	if _, err := root.Lstat(o.Name); err == nil {
		return Made{}, fmt.Errorf("%s %w: name another file", filepath.Join(o.Folder, o.Name), ErrNamed)
	}
	temp := tempName(s.Site, s.Incarnation)
	made, err := o.create(ctx, root, temp, s)
	if err != nil {
		if left := root.Remove(temp); left != nil && !errors.Is(left, fs.ErrNotExist) {
			err = fmt.Errorf("%w; what was written of it could not be removed and is %s", err, filepath.Join(o.Folder, temp))
		}
		return Made{}, err
	}
	return made, nil
}

// create writes under the temporary name, reads back, and renames.
func (o *Order) create(ctx context.Context, root *os.Root, temp string, s journal.Snapshot) (Made, error) {
	// What an earlier attempt left that was cut off. Nobody else writes it: the journal has one owner.
	if err := root.Remove(temp); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return Made{}, o.cannot(err)
	}
	f, err := root.OpenFile(temp, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return Made{}, o.cannot(err)
	}
	_, err = o.write(ctx, f, s)
	if err == nil {
		err = o.cannot(f.Sync())
	}
	forgetCached(f)
	if err = errors.Join(err, f.Close()); err != nil {
		return Made{}, err
	}
	made, err := o.readBack(ctx, temp)
	if err != nil {
		return Made{}, err
	}
	if err := root.Rename(temp, o.Name); err != nil {
		return Made{}, o.cannot(err)
	}
	return made, o.cannot(syncFolder(root))
}

func (o *Order) cannot(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("the backup cannot be written to %s: %w. Make room, mend the disk or name another folder; the journal is untouched", o.Folder, err)
}

// readBack verifies what was written.
func (o *Order) readBack(ctx context.Context, temp string) (Made, error) {
	bad := func(err error) (Made, error) {
		return Made{}, fmt.Errorf("the backup was written and does not read back as it was written, so it was thrown away: %w", err)
	}
	b, err := Open(filepath.Join(o.Folder, temp))
	if err != nil {
		return bad(err)
	}
	defer b.Close()
	if err := b.Verify(ctx, string(o.PublicKey), o.Progress); err != nil {
		return bad(err)
	}
	sum, err := b.SHA256(ctx)
	if err != nil {
		return bad(err)
	}
	return Made{Manifest: b.Manifest(), Folder: o.Folder, Name: o.Name, Size: b.Size(), SHA256: sum}, nil
}

// write writes all parts.
func (o *Order) write(ctx context.Context, f *os.File, s journal.Snapshot) (Manifest, error) {
	m, err := o.manifest(s)
	if err != nil {
		return m, err
	}
	w := &partWriter{to: &diskWriter{File: f, o: o}, time: o.Made.UTC.Time()}
	kept := keptNames{}
	if err := w.part(entriesName, "", func(to io.Writer) error { return o.entries(ctx, to, s.Size, kept) }); err != nil {
		return m, err
	}
	state, err := encode(s)
	if err != nil {
		return m, err
	}
	if err := errors.Join(w.bytes(snapshotName, "", state), w.bytes(pubName, "", o.PublicKey)); err != nil {
		return m, err
	}
	for i, c := range o.Config {
		if err := w.bytes(configPart(c.From, i), c.From, c.Text); err != nil {
			return m, err
		}
	}
	if err := o.kept(ctx, w, kept, &m); err != nil {
		return m, err
	}
	if err := o.seal(w, m); err != nil {
		return m, err
	}
	m.Parts = w.parts
	text, err := encode(m)
	if err != nil {
		return m, err
	}
	if err := w.bytes(manifestName, "", text); err != nil {
		return m, err
	}
	return m, errors.Join(w.bytes(sumsName, "", sums(w.parts)), w.end())
}

// seal writes the encrypted part, if there is anybody to encrypt for.
func (o *Order) seal(w *partWriter, m Manifest) error {
	if len(m.Recipients) == 0 {
		return nil
	}
	to, err := ParseRecipients(m.Recipients)
	if err != nil {
		return err
	}
	return w.part(secretsName, "", func(out io.Writer) error { return writeSecrets(out, o.Secrets, w.time, to) })
}

// manifest says what the backup will hold.
func (o *Order) manifest(s journal.Snapshot) (Manifest, error) {
	at, err := proof.Peek(s.Checkpoint)
	if err != nil || at.Size != s.Size {
		return Manifest{}, fmt.Errorf("the journal gave a checkpoint that is not of its %d entries (%v)", s.Size, err)
	}
	m := Manifest{
		Format: Format, Site: s.Site, Incarnation: s.Incarnation, Origin: s.Origin, Entries: s.Size, Root: at.Root.String(),
		Checkpoint: string(s.Checkpoint), Made: o.Made, By: o.By, Software: o.Software,
		Recipients: append([]string{}, o.Recipients...), Secrets: []string{}, NotHeld: append([]string{}, o.NotHeld...),
	}
	for _, secret := range o.Secrets {
		if len(o.Recipients) > 0 {
			m.Secrets = append(m.Secrets, secret.What)
		} else {
			m.NotHeld = append(m.NotHeld, fmt.Sprintf("must be entered again: %s (%s)", secret.What, secret.From))
		}
	}
	return m, nil
}

// entries writes entries 1 to size, and notes which kept files they name.
func (o *Order) entries(ctx context.Context, to io.Writer, size uint64, kept keptNames) error {
	w := segment.NewWriter(to, 1)
	for at := uint64(0); at < size; {
		batch, err := o.Journal.Read(ctx, at, int(min(readAtOnce, size-at)))
		if err != nil {
			return fmt.Errorf("the journal cannot be read for the backup: %w", err)
		}
		if len(batch) == 0 {
			return fmt.Errorf("the journal ends with entry %d while its checkpoint covers %d. Run: weighpost journal verify", at, size)
		}
		for _, e := range batch {
			if err := errors.Join(w.Add(e.JSON), kept.take(e)); err != nil {
				return err
			}
			at = e.Seq
		}
		if o.Progress != nil {
			o.Progress(at, size)
		}
	}
	_, err := w.Close()
	return err
}

// configPart gives the name of a part for a file of the configuration. What it says of the place is for people: From tells it.
func configPart(from string, i int) string {
	name := configFolder + path.Clean(filepath.ToSlash(from))
	if filepath.IsAbs(from) || !configName.MatchString(name) || strings.Contains(name, "..") {
		name = fmt.Sprintf("%sfile-%03d%s", configFolder, i, safeExtension(from))
	}
	return name
}

func safeExtension(from string) string {
	switch e := path.Ext(filepath.ToSlash(from)); e {
	case ".yaml", ".yml", ".json":
		return e
	}
	return ".txt"
}

// diskWriter says of an error of the disk what it was about, and stops before it takes what recording needs.
type diskWriter struct {
	*os.File
	o     *Order
	asked int64 // bytes that may be written before it is asked again whether there is room
}

// roomStep is how many bytes are written between two looks at the room there is.
const roomStep = 1 << 20

func (d *diskWriter) Write(b []byte) (int, error) {
	if d.asked -= int64(len(b)); d.asked < 0 && d.o.Room != nil {
		room, err := d.o.Room(d.o.Folder)
		if err == nil && room < roomStep+int64(len(b)) {
			err = errNoRoom
		}
		if err != nil {
			return 0, d.o.cannot(err)
		}
		d.asked = roomStep
	}
	n, err := d.File.Write(b)
	return n, d.o.cannot(err)
}

// errNoRoom says that a backup is left before the disk is full.
var errNoRoom = errors.New("what is free on that disk is kept for recording")

func (d *diskWriter) WriteAt(b []byte, at int64) (int, error) {
	n, err := d.File.WriteAt(b, at)
	return n, d.o.cannot(err)
}

// sumOf is SHA-256 over all that r gives.
func sumOf(r io.Reader) (sum string, size int64, err error) {
	h := sha256.New()
	size, err = io.Copy(h, r)
	return hex.EncodeToString(h.Sum(nil)), size, err
}
