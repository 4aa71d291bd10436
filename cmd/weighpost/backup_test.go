package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// weighpost runs the program in this process.
func weighpost(args ...string) (status int, out, errs string) {
	var o, e bytes.Buffer
	status = run(args, streams{strings.NewReader(""), &o, &e})
	return status, o.String(), e.String()
}

// TestBackupsFromTheCommandLine makes, lists and verifies backups where no daemon runs.
func TestBackupsFromTheCommandLine(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	cfg, dst := filepath.Join(dir, "weighpost.yaml"), filepath.Join(dir, "backups")
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(os.Mkdir(dst, 0o755))
	must(os.WriteFile(cfg, []byte("site: north-lab\njournal: {folder: journal}\nbackup: {folder: backups}\n"), 0o600))
	j, err := journal.Open(t.Context(), journal.Options{Dir: filepath.Join(dir, "journal"), Site: "north-lab"})
	must(err)
	_, err = j.Append(t.Context(), &record.Weighing{Balance: record.Balance{ID: "b-1"}})
	must(err)
	must(j.Close())

	status, out, errs := weighpost("backup", "create", "--config", cfg, "--json")
	var made record.BackupAnswer
	if status != 0 || json.Unmarshal([]byte(out), &made) != nil || made.Entries != 1 || made.Where != dst || !strings.Contains(strings.Join(made.NotHeld, "\n"), "must be entered again: the signing key of the journal") {
		t.Fatalf("status %d, %s%s", status, out, errs)
	}
	one := filepath.Join(dir, "one.tar")
	if status, out, errs := weighpost("backup", "create", "--config", cfg, "--out", one, "--by", "Ada"); status != 0 || !strings.Contains(out, "read back and found good") {
		t.Errorf("status %d, %s%s", status, out, errs)
	}
	if status, _, errs := weighpost("backup", "create", "--config", cfg, "--out", one); status != 1 || !strings.Contains(errs, "is there already, and is not replaced") {
		t.Errorf("over a file: status %d, %s", status, errs)
	}
	if status, out, errs := weighpost("backup", "list", "--config", cfg); status != 0 || !strings.Contains(out, made.Name) || strings.Contains(out, "one.tar") {
		t.Errorf("status %d, %s%s", status, out, errs)
	}
	file := filepath.Join(dst, made.Name)
	if status, out, errs := weighpost("backup", "verify", file, "--config", cfg, "--key", filepath.Join(dir, "journal", "key.pub")); status != 0 ||
		!strings.Contains(out, "a journal was built from it and verified") || !strings.Contains(out, "1 entries are those of the journal") {
		t.Errorf("status %d, %s%s", status, out, errs)
	}
	must(os.Truncate(file, made.Size-700))
	if status, out, errs := weighpost("backup", "verify", file, "--config", cfg); status != 1 || out != "" || !strings.Contains(errs, "is cut short") {
		t.Errorf("a cut one: status %d, %s%s", status, out, errs)
	}
	var told []string
	must(journal.Scan(t.Context(), filepath.Join(dir, "journal"), 0, func(e record.Entry) error {
		if b, ok := record.ParseBackup(e); ok {
			told = append(told, b.Action+" "+b.Outcome)
		}
		return nil
	}))
	if want := "made good, made good, made failed, verified good, verified failed"; strings.Join(told, ", ") != want {
		t.Errorf("told %q, want %s", told, want)
	}
}
