package qualify

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"weighpost/gateway/backup"
	"weighpost/gateway/clock"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// copied is a backup of the journal, and a journal that was restored from it in the scratch folder.
type copied struct {
	file     string // the backup
	size     uint64 // entries in it
	verified backup.Result
	restored backup.Restoration
	err      error  // why there is none
	step     string // at what it ended
}

// copyOf gives the copy. It is made once, for all tests that need one.
func (u *run) copyOf(ctx context.Context) *copied {
	if u.copy == nil {
		u.copy = &copied{file: filepath.Join(u.scratch, "qualification-"+u.Config.Site+".tar")}
		u.copy.err = u.copy.make(ctx, u)
	}
	return u.copy
}

// make makes the backup, verifies it against the journal, and restores it.
func (c *copied) make(ctx context.Context, u *run) (err error) {
	c.step = "making the backup"
	if err := u.Backup(ctx, c.file); err != nil {
		return err
	}
	key, err := os.ReadFile(filepath.Join(u.Config.Journal.Folder, "key.pub"))
	if err != nil {
		return err
	}
	c.step = "verifying the backup against the journal"
	c.verified, err = backup.VerifyFile(ctx, c.file, backup.Check{Key: string(key), Journal: scanned(u.Config.Journal.Folder), Scratch: u.scratch})
	c.size = c.verified.Manifest.Entries
	why := ""
	if err != nil {
		why = err.Error()
	}
	if noted := u.Verified(ctx, c.file, why); noted != nil && err == nil {
		err = fmt.Errorf("the backup is good, and that could not be recorded: %w", noted)
	}
	if err != nil {
		return err
	}
	c.step = "restoring it"
	b, err := backup.Open(c.file)
	if err != nil {
		return err
	}
	defer b.Close()
	c.restored, err = b.Restore(ctx, backup.RestoreOrder{Into: c.folder(u), Key: string(key), SigningKey: u.signingKey(), By: u.Actor, Stamp: clock.System{}.Stamp(time.Now())})
	return err
}

// folder is where the restored journal is.
func (c *copied) folder(u *run) string { return filepath.Join(u.scratch, "restored") }

// signingKey is the text of the journal's secret key, with which the key of the scratch journal is vouched for; "" where it cannot be read.
func (u *run) signingKey() string {
	secrets, _ := u.Config.BackupSecrets()
	for _, s := range secrets {
		if s.Name == backup.SigningKey {
			return strings.TrimSpace(string(s.Text))
		}
	}
	return ""
}

// scanned is a journal that is read from its folder, also while a daemon writes it.
type scanned string

// Read gives up to max entries after a sequence.
func (s scanned) Read(ctx context.Context, after uint64, max int) (entries []record.Entry, err error) {
	p, err := journal.OpenProofs(string(s), "")
	if err != nil {
		return nil, err
	}
	defer func() {
		if shut := p.Close(); err == nil {
			err = shut
		}
	}()
	about, err := journal.AboutDir(ctx, string(s))
	if err != nil {
		return nil, err
	}
	err = p.Each(ctx, after+1, min(about.Head, after+uint64(max)), func(e record.Entry) error {
		entries = append(entries, e)
		return nil
	})
	return entries, err
}

// copyFolder copies a folder with all that is in it.
func copyFolder(from, to string) error { return os.CopyFS(to, os.DirFS(from)) }
