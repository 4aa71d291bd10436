package console

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

const aBackup = "weighpost-north-lab-7qx3a-20261129t023000z.tar"

func (b *bench) MakeBackup(_ context.Context, r record.BackupRequest) (record.BackupAnswer, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.answer != nil {
		return record.BackupAnswer{}, b.answer
	}
	b.backups++
	return record.BackupAnswer{Name: aBackup, Where: "/srv/backups", Size: 7168, SHA256: strings.Repeat("0a", 32), Entries: 90211, Made: record.UTC(time.Now()),
		Secrets: []string{}, NotHeld: []string{"must be entered again: the token"}, Trouble: []string{}}, nil
}

func (b *bench) NoteVerified(_ context.Context, v *record.Backup) (string, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.answer != nil {
		return "", b.answer
	}
	b.backups++
	return "north-lab/7qx3/@/090212", nil
}

func (b *bench) ListBackups(context.Context) record.BackupView {
	at := record.UTC(time.Now())
	return record.BackupView{Configured: true, Kept: []record.BackupKept{{Where: "/srv/backups", Name: aBackup, Size: 7168, Made: at}}, Due: &at, Trouble: []string{}}
}

func TestABackupThatCannotBeMadeIsAProblem(t *testing.T) {
	h := open(t)
	for _, c := range []struct {
		err  error
		want int
	}{
		{record.ErrNoBackup, http.StatusConflict}, {record.ErrBackupBusy, http.StatusConflict}, {errors.New("the disk is full"), http.StatusInternalServerError},
	} {
		h.bench.answer = c.err
		resp, text := send(t, h, "POST", backupsPath, `{"by": "Ada"}`, nil)
		if resp.StatusCode != c.want || !strings.Contains(text, c.err.Error()[1:]) {
			t.Errorf("%v: %d %s", c.err, resp.StatusCode, text)
		}
	}
	if resp, text := send(t, h, "POST", verifiedPath, goodBody("POST", verifiedPath), nil); resp.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("not recorded: %d %s", resp.StatusCode, text)
	}
}
