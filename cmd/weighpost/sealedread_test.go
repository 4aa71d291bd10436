package main

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// sealedJournal is a closed journal whose first 1,000 of 2,502 entries are sealed, its public key, and where the copies are.
func sealedJournal(t *testing.T) (config, dir, copies string) {
	t.Helper()
	config, dir, copies = sealable(t)
	if err := os.Mkdir(copies, 0o750); err != nil {
		t.Fatal(err)
	}
	runs(t, "journal", "seal", "-c", config)
	return config, dir, copies
}

// runs runs a command that has to succeed, and gives what it printed.
func runs(t *testing.T, args ...string) string {
	t.Helper()
	status, out, errs := call(args...)
	if status != 0 {
		t.Fatalf("%v: status %d: %s%s", args, status, out, errs)
	}
	return out
}

// fails runs a command that has to fail and to say something, and gives what it printed on standard output.
func fails(t *testing.T, words []string, args ...string) string {
	t.Helper()
	status, out, errs := call(args...)
	if status != 1 {
		t.Errorf("%v: status %d, and it has to fail: %s", args, status, errs)
	}
	for _, w := range words {
		if !strings.Contains(errs, w) {
			t.Errorf("%v does not say %q: %s", args, w, errs)
		}
	}
	return out
}

// theOne gives the one segment file of a folder.
func theOne(t *testing.T, dir string) string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "*.ndjson.gz"))
	if err != nil || len(names) != 1 {
		t.Fatal(names, err)
	}
	return names[0]
}

// TestSealedEntriesAreReadByEveryCommand: what list, export and prove give of a journal is the same before its oldest entries
// are sealed and after.
func TestSealedEntriesAreReadByEveryCommand(t *testing.T) {
	t.Parallel()
	config, dir, copies := sealable(t)
	if err := os.Mkdir(copies, 0o750); err != nil {
		t.Fatal(err)
	}
	all := func() map[string]string {
		return map[string]string{
			"list":   runs(t, "journal", "list", dir, "--json", "--before", "2502"),
			"filter": runs(t, "journal", "list", dir, "--text", "ttys0", "--after", "990", "--before", "1010"),
			"ndjson": runs(t, "journal", "export", dir, "--format", "ndjson", "--out", "-", "--before", "2502"),
			"csv":    runs(t, "journal", "export", dir, "--format", "csv", "--out", "-", "--before", "2502"),
		}
	}
	was := all()
	runs(t, "journal", "seal", "-c", config)
	if strings.Count(was["list"], "\n") != 2501 || !strings.Contains(runs(t, "journal", "verify", dir), "with 1000 entries that are only there") {
		t.Fatal("nothing was sealed: the test shows nothing")
	}
	for name, is := range all() {
		if is != was[name] {
			t.Errorf("%s gives %d bytes, and before sealing %d", name, len(is), len(was[name]))
		}
	}
	file := filepath.Join(t.TempDir(), "sealed.proof")
	runs(t, "journal", "prove", dir, "5", "--out", file)
	if out := runs(t, "validate", "proof", file, "--key", filepath.Join(dir, "key.pub")); !strings.Contains(out, "number 5 of its journal") {
		t.Error(out)
	}
}

// TestACommandSaysWhichSealedEntriesItCannotRead: with its one segment gone, list leaves them out, export and prove refuse, and
// all three say which file is missing and where its copies are. With --segments they read the copies.
func TestACommandSaysWhichSealedEntriesItCannotRead(t *testing.T) {
	t.Parallel()
	_, dir, copies := sealedJournal(t)
	lost := theOne(t, filepath.Join(dir, "segments"))
	whole := runs(t, "journal", "list", dir, "--json")
	if err := os.Remove(lost); err != nil {
		t.Fatal(err)
	}
	words := []string{lost, "entries 1 to 1000", "is missing", "Copy it back from the folder " + copies}
	out := fails(t, append(words, "1000 entries could not be read and are not in the list"), "journal", "list", dir, "--json")
	if !strings.HasSuffix(whole, out) || strings.Count(out, "\n") != 1502 {
		t.Errorf("the list has %d entries, and not those that can be read", strings.Count(out, "\n"))
	}
	file := filepath.Join(t.TempDir(), "x")
	for _, format := range []string{"csv", "ndjson"} {
		fails(t, words, "journal", "export", dir, "--format", format, "--out", file)
		if _, err := os.Lstat(file); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("an export that is not whole was left: %v", err)
		}
	}
	fails(t, words, "journal", "prove", dir, "5")
	runs(t, "journal", "prove", dir, "1500") // what is not sealed can be proved as before

	if is := runs(t, "journal", "list", dir, "--json", "--segments", copies); is != whole {
		t.Error("with the copies the list is another")
	}
	if is := runs(t, "journal", "export", dir, "--format", "ndjson", "--out", "-", "--segments", copies); is != whole {
		t.Error("with the copies the export is another")
	}
	runs(t, "journal", "prove", dir, "5", "--segments", copies)
}

// TestABackupHoldsSealedEntries, and what is restored from it has them in journal.db again.
func TestABackupHoldsSealedEntries(t *testing.T) {
	t.Parallel()
	config, dir, _ := sealedJournal(t)
	whole := runs(t, "journal", "list", dir, "--json", "--before", "2503")
	file := filepath.Join(t.TempDir(), "lots.backup.tar")
	runs(t, "backup", "create", "-c", config, "--out", file)
	runs(t, "backup", "verify", file)
	into := filepath.Join(t.TempDir(), "journal")
	runs(t, "backup", "restore", file, "--into", into, "--reason", "the disk is new")
	if is := runs(t, "journal", "list", into, "--json", "--before", "2503"); is != whole {
		t.Error("what was restored has other entries")
	}
	runs(t, "journal", "verify", into)
	// A lost segment that a journal cannot do without is known before a backup is made of the rest.
	if err := os.Remove(theOne(t, filepath.Join(dir, "segments"))); err != nil {
		t.Fatal(err)
	}
	fails(t, []string{"is missing. Copy it back from"}, "backup", "create", "-c", config, "--out", file+".2")
	if b, err := os.ReadFile(file + ".2"); err == nil {
		t.Errorf("a backup without the sealed entries was left (%d bytes, %v)", len(b), bytes.Contains(b, []byte("entries")))
	}
}
