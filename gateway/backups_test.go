//go:build linux

package gateway_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/backup"
	"weighpost/gateway/health"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// backupsOf asks the daemon about its backups.
func backupsOf(t *testing.T, d *daemon) (v record.BackupView) {
	t.Helper()
	resp, err := http.Get(d.PageURL() + "api/v1/backups")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if err := json.NewDecoder(resp.Body).Decode(&v); err != nil || resp.StatusCode != 200 {
		t.Fatalf("%d, %v", resp.StatusCode, err)
	}
	return v
}

// TestBackupsAreMadeWhileTheDaemonRecords: at the start, by hand, into a folder and through a sink, each told by an entry.
func TestBackupsAreMadeWhileTheDaemonRecords(t *testing.T) {
	folder, share := t.TempDir(), t.TempDir()
	d := newDaemon(t, daemonOptions{sinks: fmt.Sprintf("- {id: share, kind: files, folder: %q}\n", share),
		more: fmt.Sprintf("backup: {folder: %q, sinks: [share]}\n", folder)})
	d.start(t)
	defer http.DefaultClient.CloseIdleConnections()
	until(t, func() bool { return len(backupsOf(t, d).Kept) == 2 }, "no backup was made at the start")
	for i := range 20 {
		mustWrite(t, d, 0, line(1001+i))
	}
	until(t, func() bool { return d.Balances()[0].Recorded == 20 }, "the weighings are not recorded")
	token, err := os.ReadFile(filepath.Join(d.cfg.Journal.Folder, "api.token"))
	if err != nil {
		t.Fatal(err)
	}
	status, text := request(t, d.Gateway, "POST", "api/v1/backups", strings.TrimSpace(string(token)), `{"by": "Ada"}`)
	var made record.BackupAnswer
	if err := json.Unmarshal(text, &made); err != nil || status != 200 {
		t.Fatalf("%d %s, %v", status, text, err)
	}
	if d.holds(health.BackupFailed) || d.holds(health.BackupOverdue) || d.holds(health.BackupNotCopied) || made.Entries < 22 || len(made.Trouble) > 0 {
		t.Errorf("%+v, conditions %v", made, d.Conditions())
	}
	d.stop(t)
	told := []string{}
	err = journal.Scan(t.Context(), d.cfg.Journal.Folder, 0, func(e record.Entry) error {
		if b, ok := record.ParseBackup(e); ok {
			told = append(told, b.Action+" "+b.Outcome+" by "+b.By.ID+" ("+b.By.By+")")
		}
		return nil
	})
	want := "made good by backup (schedule), stored good by backup (schedule), made good by Ada (token), stored good by Ada (token)"
	if err != nil || strings.Join(told, ", ") != want {
		t.Errorf("told %q, %v", told, err)
	}
	for _, path := range []string{filepath.Join(folder, made.Name), filepath.Join(share, "_backups", made.Name)} {
		r, err := backup.VerifyFile(t.Context(), path, backup.Check{Scratch: t.TempDir()})
		if err != nil || r.Manifest.Entries != made.Entries || r.SHA256 != made.SHA256 || !r.Rebuilt {
			t.Errorf("%s: %+v, %v", path, r, err)
		}
	}
}

// TestABackupThatCannotBeMadeIsACondition, and so is that there is none.
func TestABackupThatCannotBeMadeIsACondition(t *testing.T) {
	d := newDaemon(t, daemonOptions{more: "backup: {folder: /nowhere/backups}\n"})
	d.start(t)
	until(t, func() bool { return d.holds(health.BackupFailed) || d.holds(health.BackupOverdue) }, "a backup that fails is no condition")
	mustWrite(t, d, 0, line(1001))
	until(t, func() bool { return d.Balances()[0].Recorded == 1 }, "recording depends on backups")
	d.stop(t)
}
