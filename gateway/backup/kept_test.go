package backup

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// keep keeps a file beside the journal, and has an entry name it.
func (b *bench) keep(id, content string) (hash string) {
	b.Helper()
	sum := sha256.Sum256([]byte(content))
	hash = hex.EncodeToString(sum[:])
	folder := filepath.Join(b.dir, journal.KeptFolder)
	err := errors.Join(os.MkdirAll(folder, 0o700), os.WriteFile(filepath.Join(folder, hash), []byte(content), 0o600))
	if err == nil {
		_, err = b.journal.Append(b.Context(), &record.WeightEntry{Change: record.WeightRegistered, Stamp: stampAt(1), Weight: record.ReferenceWeight{ID: id, Nominal: "20 g",
			Certificate: &record.Certificate{Number: "4711", Date: "2026-01-15", File: &record.KeptFile{Name: id + ".pdf", SHA256: hash, Bytes: int64(len(content))}}}})
	}
	if err != nil {
		b.Fatal(err)
	}
	return hash
}

// TestPicturesAndReportsAreInABackup, and back: the picture of a slip, and the file of a report that was issued.
func TestPicturesAndReportsAreInABackup(t *testing.T) {
	t.Parallel()
	picture := "\x89PNG\r\n\x1a\na slip"
	sum, other := sha256.Sum256([]byte(picture)), strings.Repeat("0", 64)
	hash := hex.EncodeToString(sum[:])
	ref := &record.KeptFile{Name: "slip.png", SHA256: hash, Bytes: int64(len(picture))}
	j := newBench(t) // a journal that nothing else names the picture in
	folder := filepath.Join(j.dir, journal.KeptFolder)
	issued := sha256.Sum256([]byte("%PDF-1.7 issued"))
	report := hex.EncodeToString(issued[:])
	err := errors.Join(os.MkdirAll(folder, 0o700), os.WriteFile(filepath.Join(folder, hash), []byte(picture), 0o600), os.WriteFile(filepath.Join(folder, report), []byte("%PDF-1.7 issued"), 0o600), os.WriteFile(filepath.Join(folder, other), []byte("%PDF-three"), 0o600))
	if err == nil {
		_, err = j.journal.Append(t.Context(), &record.LateEntered{Balance: record.Balance{ID: "b-12"}, Picture: ref, Origin: record.OriginalSlip, Stamp: stampAt(1)},
			&record.LateEntered{Balance: record.Balance{ID: "b-12"}, Origin: record.OriginalSlip, Stamp: stampAt(2)},
			&record.ReportIssued{Report: "rep-7qx3-000001", Of: "run", About: "r-7qx3-000001", Sum: report, Size: 15, Stamp: stampAt(3)})
	}
	if err != nil {
		t.Fatal(err)
	}
	f := j.open(j.create(j.keptOrder()))
	if err := f.Verify(t.Context(), "", nil); err != nil {
		t.Fatal(err)
	}
	if held, absent := f.Kept(); held != 2 || len(absent) != 0 {
		t.Errorf("%d held, %q absent", held, absent)
	}
	into := filepath.Join(t.TempDir(), "journal")
	if _, err := f.Restore(t.Context(), j.restoreOrder(into)); err != nil {
		t.Fatal(err)
	}
	if have, err := os.ReadFile(filepath.Join(into, journal.KeptFolder, hash)); err != nil || string(have) != picture {
		t.Errorf("%q %v", have, err)
	}
	if have, err := os.ReadFile(filepath.Join(into, journal.KeptFolder, report)); err != nil || string(have) != "%PDF-1.7 issued" {
		t.Errorf("%q %v", have, err)
	}
}

func (b *bench) keptOrder() Order {
	o := b.order()
	o.Kept = filepath.Join(b.dir, journal.KeptFolder)
	return o
}

// TestFilesKeptBesideTheJournalAreInABackup: those that entries name, as their hashes say; one that is damaged and one that is gone cost no
// backup, and are said; and a restore puts back what there is, byte for byte.
func TestFilesKeptBesideTheJournalAreInABackup(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	long := "%PDF-" + strings.Repeat("a long certificate ", 40_000) // more than one block, and than one buffer
	good, same := b.keep("f1-1", "%PDF-one"), b.keep("f1-2", long)
	hurt, gone := b.keep("f1-3", "%PDF-three"), b.keep("f1-4", "%PDF-four")
	folder := filepath.Join(b.dir, journal.KeptFolder)
	if err := errors.Join(os.WriteFile(filepath.Join(folder, hurt), []byte("%PDF-threa"), 0o600), os.Remove(filepath.Join(folder, gone)),
		os.WriteFile(filepath.Join(folder, strings.Repeat("0", 64)), []byte("named by no entry"), 0o600)); err != nil {
		t.Fatal(err)
	}
	f := b.open(b.create(b.keptOrder()))
	if err := f.Verify(t.Context(), "", nil); err != nil {
		t.Fatal(err)
	}
	if held, absent := f.Kept(); held != 2 || len(absent) != 0 {
		t.Errorf("%d held, %q absent", held, absent)
	}
	said := strings.Join(f.Manifest().NotHeld, "\n")
	for _, want := range []string{hurt + "), which is damaged where it is kept", gone + "), which could not be read", `"f1-3.pdf"`} {
		if !strings.Contains(said, want) {
			t.Errorf("no %q in\n%s", want, said)
		}
	}
	into := filepath.Join(t.TempDir(), "journal")
	r, err := f.Restore(t.Context(), b.restoreOrder(into))
	if err != nil || r.Files != 2 || len(r.FilesAbsent) != 0 {
		t.Fatalf("%+v %v", r, err)
	}
	for hash, want := range map[string]string{good: "%PDF-one", same: long} {
		if have, err := os.ReadFile(filepath.Join(into, journal.KeptFolder, hash)); err != nil || string(have) != want {
			t.Errorf("%s: %d bytes, %v", hash, len(have), err)
		}
	}
	if list, err := os.ReadDir(filepath.Join(into, journal.KeptFolder)); err != nil || len(list) != 2 {
		t.Errorf("%v %v", list, err)
	}
}

// TestABackupWithoutKeptFilesIsRestored: one that was made before they were carried, and it says which files it lacks.
func TestABackupWithoutKeptFilesIsRestored(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	hash := b.keep("f1-1", "%PDF-one")
	o := b.order() // knows of no folder: the file is told, and the backup made
	f := b.open(b.create(o))
	if !strings.Contains(strings.Join(f.Manifest().NotHeld, "\n"), hash) {
		t.Errorf("%q", f.Manifest().NotHeld)
	}
	all, err := os.ReadFile(filepath.Join(b.folder, f.Name()))
	if err != nil {
		t.Fatal(err)
	}
	list := members(t, all)
	for i := range list {
		if list[i].header.Name == manifestName { // as it was written before
			m := f.Manifest()
			m.NotHeld = []string{"the files of certificates: copy that folder"}
			if list[i].body, err = encode(m); err != nil {
				t.Fatal(err)
			}
		}
	}
	path := filepath.Join(t.TempDir(), "old.tar")
	if err := os.WriteFile(path, wrap(t, list, true), 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := VerifyFile(t.Context(), path, Check{Scratch: t.TempDir()})
	if err != nil || r.Kept != 0 || len(r.Absent) != 1 || !strings.Contains(r.Absent[0], hash) {
		t.Fatalf("%q %v", r.Absent, err)
	}
	old, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer old.Close()
	if done, err := old.Restore(t.Context(), b.restoreOrder(filepath.Join(t.TempDir(), "journal"))); err != nil || len(done.FilesAbsent) != 1 {
		t.Errorf("%+v %v", done, err)
	}
}

// TestADamagedKeptFileIsFound: a byte of it, one that is not what its name says, and one that no entry names.
func TestADamagedKeptFileIsFound(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	hash := b.keep("f1-1", "%PDF-one")
	made := b.create(b.keptOrder())
	all, err := os.ReadFile(filepath.Join(made.Folder, made.Name))
	if err != nil {
		t.Fatal(err)
	}
	swap := func(from, to string) []byte {
		list := members(t, all)
		for i := range list {
			if list[i].header.Name == keptPrefix+hash {
				list[i].header.Name, list[i].body = keptPrefix+strings.Replace(hash, from, to, 1), []byte("%PDF-two")
			}
		}
		return wrap(t, list, true)
	}
	other := sha256.Sum256([]byte("%PDF-two"))
	for what, c := range map[string]struct {
		file []byte
		want string
	}{
		"a byte":             {bytes.Replace(all, []byte("%PDF-one"), []byte("%PDF-onf"), 1), "its part " + keptPrefix + hash + " is not as it was written"},
		"not what it is":     {swap("", ""), "is not what its name says"},
		"named by no entry":  {swap(hash, hex.EncodeToString(other[:])), "which none of its entries names"},
		"a name that climbs": {swap(hash, "../x"), "which no backup has"},
	} {
		path := filepath.Join(t.TempDir(), "x.tar")
		if err := os.WriteFile(path, c.file, 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := VerifyFile(t.Context(), path, Check{Scratch: t.TempDir()})
		var fault *Fault
		if !errors.As(err, &fault) || fault.Kind != Damaged || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", what, err)
		}
		into := filepath.Join(t.TempDir(), "journal")
		if f, err := Open(path); err == nil {
			_, err = f.Restore(t.Context(), b.restoreOrder(into))
			f.Close()
			if _, there := os.Stat(into); err == nil || there == nil {
				t.Errorf("%s: restored: %v", what, err)
			}
		}
	}
}
