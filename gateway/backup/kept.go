package backup

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// KeptFolder is the folder beside a journal whose files go into its backups, where entries name them.
const KeptFolder = journal.KeptFolder

// keptPrefix is what the parts begin with that are files kept beside the journal, each under its SHA-256. Entries name them.
const keptPrefix = journal.KeptFolder + "/"

// keptForm is the name of such a part.
var keptForm = regexp.MustCompile(`^` + keptPrefix + `[0-9a-f]{64}$`)

// mostKept is how many files the entries of one journal may name: each issued report is one.
const mostKept = 1 << 18

// keptNames gathers the kept files that entries name: by their hash, with the name that people know.
type keptNames map[string]string

// take reads which files an entry names, and fails where they become too many.
func (k keptNames) take(e record.Entry) error {
	for _, f := range record.KeptFiles(e) {
		if keptForm.MatchString(keptPrefix + f.SHA256) {
			k[f.SHA256] = f.Name
		}
	}
	if len(k) > mostKept {
		return fmt.Errorf("its entries name more than %d kept files", mostKept)
	}
	return nil
}

// sorted gives the hashes in a fixed order.
func (k keptNames) sorted() []string {
	list := make([]string, 0, len(k))
	for hash := range k {
		list = append(list, hash)
	}
	slices.Sort(list)
	return list
}

// absent says in a sentence that a kept file is not in a backup.
func (k keptNames) absent(hash, why string) string {
	return fmt.Sprintf("the file %.100q that an entry names (SHA-256 %s), which %s: put it back, or attach it again, after a restore", k[hash], hash, why)
}

// kept writes the files that the entries name. One that is gone or damaged costs no backup: it is left out, and said.
func (o *Order) kept(ctx context.Context, w *partWriter, names keptNames, m *Manifest) error {
	if len(names) == 0 {
		return nil
	}
	root, err := os.OpenRoot(o.Kept)
	if err == nil {
		defer root.Close()
	}
	for _, hash := range names.sorted() {
		if err := ctx.Err(); err != nil {
			return err
		}
		why := "could not be read, since the folder that it is kept in is gone"
		if root != nil {
			if why = keptFault(root, hash); why == "" {
				if err := o.keptPart(ctx, w, root, hash); err != nil {
					return err
				}
				continue
			}
		}
		m.NotHeld = append(m.NotHeld, names.absent(hash, why))
	}
	return nil
}

// keptFault says what is wrong with a kept file, or "".
func keptFault(root *os.Root, hash string) string {
	info, err := root.Lstat(hash)
	switch {
	case err != nil:
		return fmt.Sprintf("could not be read for the backup (%v)", err)
	case !info.Mode().IsRegular():
		return "is no plain file where it is kept"
	case info.Size() > record.MostKept:
		return fmt.Sprintf("has %d bytes where it is kept, and none has more than %d", info.Size(), record.MostKept)
	}
	f, err := root.Open(hash)
	if err != nil {
		return fmt.Sprintf("could not be read for the backup (%v)", err)
	}
	defer f.Close()
	sum, _, err := sumOf(io.LimitReader(f, record.MostKept+1))
	switch {
	case err != nil:
		return fmt.Sprintf("could not be read for the backup (%v)", err)
	case sum != hash:
		return "is damaged where it is kept (SHA-256 differs)"
	}
	return ""
}

// keptPart writes one that was just found good. If it changes meanwhile, reading the backup back finds it.
func (o *Order) keptPart(ctx context.Context, w *partWriter, root *os.Root, hash string) error {
	f, err := root.Open(hash)
	if err != nil {
		return err
	}
	defer f.Close()
	return w.part(keptPrefix+hash, "", func(to io.Writer) error {
		_, err := io.Copy(to, ctxReader{ctx, io.LimitReader(f, record.MostKept)})
		return err
	})
}

// keptParts gives the hashes of the kept files that the backup holds.
func (b *File) keptParts() (list []string) {
	for _, p := range b.manifest.Parts {
		if keptForm.MatchString(p.Name) {
			list = append(list, strings.TrimPrefix(p.Name, keptPrefix))
		}
	}
	return list
}

// Kept says how many files that are kept beside the journal the backup holds, and, once Verify has read the entries, which of those that
// entries name it lacks without saying so in its manifest, a sentence each.
func (b *File) Kept() (held int, absent []string) { return len(b.keptParts()), b.absent }

// holdKept holds the kept files against the entries that name them. Their bytes are held against their sums like those of any part.
func (b *File) holdKept(names keptNames) error {
	b.absent = []string{}
	held := map[string]bool{}
	for _, hash := range b.keptParts() {
		if _, named := names[hash]; !named {
			return b.fault(Damaged, "it holds a kept file %s, which none of its entries names", hash)
		}
		held[hash] = true
	}
	for _, hash := range names.sorted() {
		told := slices.ContainsFunc(b.manifest.NotHeld, func(s string) bool { return strings.Contains(s, hash) })
		if !held[hash] && !told {
			b.absent = append(b.absent, names.absent(hash, "is not in the backup"))
		}
	}
	return nil
}

// putKept writes the kept files into a folder that is being built, and has them on the disk.
func (b *File) putKept(ctx context.Context, dir string) error {
	list := b.keptParts()
	if len(list) == 0 {
		return nil
	}
	if err := os.MkdirAll(filepath.Join(dir, journal.KeptFolder), 0o700); err != nil {
		return err
	}
	root, err := os.OpenRoot(filepath.Join(dir, journal.KeptFolder))
	if err != nil {
		return err
	}
	defer root.Close()
	for _, hash := range list {
		if err := b.putOne(ctx, root, hash); err != nil {
			return err
		}
	}
	return syncFolder(root)
}

func (b *File) putOne(ctx context.Context, root *os.Root, hash string) error {
	section, _ := b.section(keptPrefix + hash)
	f, err := root.OpenFile(hash, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return fmt.Errorf("a kept file cannot be put back: %w", err)
	}
	sum := sha256.New()
	_, err = io.Copy(io.MultiWriter(f, sum), ctxReader{ctx, section})
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("the kept file %s cannot be put back: %w", hash, err)
	}
	if hex.EncodeToString(sum.Sum(nil)) != hash {
		return b.fault(Damaged, "its part %s%s is not as it was written (SHA-256 differs)", keptPrefix, hash)
	}
	return nil
}
