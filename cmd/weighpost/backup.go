package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"text/tabwriter"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/backup"
	"weighpost/gateway/clock"
	"weighpost/gateway/config"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

type backupCommand struct {
	Create  backupCreate  `cmd:"" help:"Make a backup of the journal, the configuration and, encrypted, the secrets."`
	List    backupList    `cmd:"" help:"List the backups that there are."`
	Verify  backupVerify  `cmd:"" help:"Find out whether a backup is whole, and whether a journal can be built from it."`
	Restore backupRestore `cmd:"" help:"Build a journal from a backup, on this computer or a new one."`
}

type backupCreate struct {
	hostFlags
	Out  string `placeholder:"FILE" help:"Write it to this file only, and leave the configured places as they are."`
	By   string `placeholder:"NAME" help:"Who makes it: goes into the journal."`
	JSON bool   `help:"Print what was made as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (backupCreate) Help() string {
	return `Works while the daemon records, and then through the daemon. The backup is read back before it counts; then it is copied to the
sinks that the configuration names under backup, and old ones are removed as it says. What the backup does not hold and must be
entered again after a restore is printed. See: weighpost help backup`
}

func (c backupCreate) Run(ctx context.Context, s streams) error {
	var made record.BackupAnswer
	body := map[string]any{}
	if c.By != "" {
		body["by"] = c.By
	}
	apart := c.Out != ""
	if apart {
		body["apart"] = true
	}
	byDaemon := true
	err := c.act(ctx, deed{Method: http.MethodPost, Path: "/api/v1/backups", Body: body, Answer: &made,
		Here: func(ctx context.Context, cfg *config.Config, j *journal.Journal) (err error) {
			byDaemon = false
			made, err = c.here(ctx, s, cfg, j)
			return err
		}})
	if err == nil && byDaemon && apart {
		err = takeOut(&made, c.Out)
	}
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(made)
	}
	return printMade(s.out, made)
}

// here makes the backup with the journal open in this process.
func (c backupCreate) here(ctx context.Context, s streams, cfg *config.Config, j *journal.Journal) (record.BackupAnswer, error) {
	if c.Out == "" && !cfg.Backup.Asked() {
		return record.BackupAnswer{}, record.ErrNoBackup
	}
	trouble := []string{}
	job, end, err := backupJob(cfg, j, &trouble)
	if err != nil {
		return record.BackupAnswer{}, err
	}
	defer end()
	job.Order.Progress = progress(s)
	var made backup.Made
	if c.Out != "" {
		made, err = job.RunTo(ctx, hostActor(c.By), c.Out)
	} else {
		made, err = job.Run(ctx, hostActor(c.By))
	}
	if err != nil {
		return record.BackupAnswer{}, err
	}
	return made.Answer(trouble), nil
}

// backupJob is a job with a journal that is open in this process, and the sinks of its configuration.
func backupJob(cfg *config.Config, j *journal.Journal, trouble *[]string) (job *backup.Job, end func(), err error) {
	job, err = cfg.BackupJob(j, record.Software{Version: gateway.Version(), Config: cfg.Hash()})
	if err != nil {
		return nil, nil, err
	}
	if job.Sinks, end, err = cfg.BackupStores(); err != nil {
		return nil, nil, err
	}
	job.Stamp = func() record.Stamp { return clock.System{}.Stamp(time.Now()) }
	job.Record = func(ctx context.Context, e *record.Backup) error {
		_, err := j.Append(ctx, e)
		return err
	}
	job.Trouble = func(_ string, err error) {
		if err != nil {
			*trouble = append(*trouble, err.Error())
		}
	}
	return job, end, nil
}

// takeOut moves a backup that the daemon prepared to where it was asked for, and makes sure that it arrived.
func takeOut(made *record.BackupAnswer, out string) error {
	from := filepath.Join(made.Where, made.Name)
	r, err := os.Open(from)
	if err != nil {
		return fmt.Errorf("the daemon made the backup, and it cannot be read: %w. Run this as weighpost's user", err)
	}
	defer r.Close()
	w, err := os.OpenFile(out, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return fmt.Errorf("the backup is in %s and cannot be copied: %w", from, err)
	}
	sum := sha256.New()
	_, err = io.Copy(io.MultiWriter(w, sum), r)
	if err = errors.Join(err, w.Sync(), w.Close()); err == nil && hex.EncodeToString(sum.Sum(nil)) != made.SHA256 {
		err = errors.New("what was read is not what the daemon made")
	}
	if err != nil {
		return errors.Join(fmt.Errorf("the backup is in %s and could not be copied: %w", from, err), os.Remove(out))
	}
	made.Where, made.Name = filepath.Dir(out), filepath.Base(out)
	if err := os.Remove(from); err != nil {
		made.Trouble = append(made.Trouble, fmt.Sprintf("the daemon's own copy could not be removed: %v; the next backup does", err))
	}
	return nil
}

func printMade(w io.Writer, m record.BackupAnswer) error {
	var all []error
	say := func(format string, args ...any) {
		_, err := fmt.Fprintf(w, format+"\n", args...)
		all = append(all, err)
	}
	say("%s", filepath.Join(m.Where, m.Name))
	say("%d entries, %d bytes, read back and found good", m.Entries, m.Size)
	say("sha256 %s", m.SHA256)
	for _, what := range m.Secrets {
		say("encrypted: %s", what)
	}
	for _, what := range m.NotHeld {
		say("not in it: %s", what)
	}
	for _, what := range m.Trouble {
		say("caution: %s", what)
	}
	return errors.Join(all...)
}

type backupList struct {
	hostFlags
	JSON bool `help:"Print what there is as one JSON object."`
}

func (c backupList) Run(ctx context.Context, s streams) error {
	var view record.BackupView
	err := c.act(ctx, deed{Method: http.MethodGet, Path: "/api/v1/backups", Answer: &view,
		Here: func(ctx context.Context, cfg *config.Config, j *journal.Journal) error {
			trouble := []string{}
			job, end, err := backupJob(cfg, j, &trouble)
			if err != nil {
				return err
			}
			defer end()
			view = job.View(ctx, time.Now())
			return nil
		}})
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(view)
	}
	return printBackups(s.out, view)
}

func printBackups(w io.Writer, v record.BackupView) error {
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "MADE\tSIZE\tWHERE\tNAME")
	for _, k := range v.Kept {
		fmt.Fprintf(table, "%s\t%d\t%s\t%s\n", k.Made, k.Size, plain(k.Where), plain(k.Name))
	}
	if err := table.Flush(); err != nil {
		return err
	}
	var say []string
	switch {
	case !v.Configured:
		say = append(say, record.ErrNoBackup.Error())
	case v.Overdue:
		say = append(say, "overdue: the newest backup is older than it should be, or there is none. Make one: weighpost backup create")
	case v.Due != nil:
		say = append(say, fmt.Sprintf("the next one is due at %s", *v.Due))
	}
	for _, what := range append(say, v.Trouble...) {
		if _, err := fmt.Fprintln(w, plain(what)); err != nil {
			return err
		}
	}
	return nil
}
