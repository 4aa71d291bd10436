package backup

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"weighpost/gateway/record"
)

// Job makes backups as a configuration asks for, and tells the journal of each.
type Job struct {
	Config Config // with its defaults
	Order  Order  // without Folder, Name, Made and By
	Site   string
	// Spool is a folder for a backup that is only copied to sinks, or fetched from one; it is made when it is needed.
	Spool string
	Sinks []Shelf
	Stamp func() record.Stamp
	// Record appends what was done to the journal.
	Record func(ctx context.Context, b *record.Backup) error
	// Removed, Stored and the like are told by entries; what could not be told, or done, after the backup was made is told here.
	Trouble func(where string, err error)
}

// shelves are all places, the folder first.
func (j *Job) shelves() []Shelf {
	if j.Config.Folder == "" {
		return j.Sinks
	}
	return append([]Shelf{InFolder(j.Config.Folder)}, j.Sinks...)
}

// Run makes a backup, copies it to the sinks, and removes what is not kept any longer. It fails only where no backup came to
// be: what failed afterwards is told to Trouble, and by entries.
func (j *Job) Run(ctx context.Context, by record.Actor) (Made, error) {
	made, err := j.make(ctx, by, cmp.Or(j.Config.Folder, j.Spool))
	if err != nil {
		return made, err
	}
	if j.Config.Folder != "" {
		j.prune(ctx, InFolder(j.Config.Folder), made, by)
	}
	stored := 0
	for _, s := range j.Sinks {
		err := s.Put(ctx, made)
		j.record(ctx, s.Where, made.entry(record.BackupStored, s.Where, err, by, j.Stamp()))
		j.Trouble(s.Where, err)
		if err == nil {
			stored++
			j.prune(ctx, s, made, by)
		}
	}
	if j.Config.Folder == "" && stored == len(j.Sinks) {
		j.clearSpool()
	}
	return made, nil
}

// RunApart makes one backup in the spool only, for somebody who takes it from there.
func (j *Job) RunApart(ctx context.Context, by record.Actor) (Made, error) {
	return j.make(ctx, by, j.Spool)
}

func (j *Job) make(ctx context.Context, by record.Actor, folder string) (Made, error) {
	if folder == j.Spool {
		if err := os.MkdirAll(folder, 0o750); err != nil {
			return Made{}, fmt.Errorf("the folder in which backups are prepared cannot be made: %w", err)
		}
		j.clearSpool()
	}
	o := j.Order
	o.Folder, o.Made, o.By = folder, j.Stamp(), by
	made, err := Create(ctx, o)
	for again := 0; errors.Is(err, ErrNamed) && o.Name == "" && again < 2; again++ { // two within one second
		select {
		case <-time.After(time.Second):
		case <-ctx.Done():
			return Made{}, ctx.Err()
		}
		o.Made = j.Stamp()
		made, err = Create(ctx, o)
	}
	if err != nil {
		j.record(ctx, folder, &record.Backup{Action: record.BackupMade, Outcome: record.OutcomeFailed, Where: folder, Why: err.Error(), By: by, Stamp: j.Stamp()})
		return made, err
	}
	j.record(ctx, folder, made.entry(record.BackupMade, folder, nil, by, j.Stamp()))
	return made, nil
}

// clearSpool removes what earlier backups left in the spool, and nothing else.
func (j *Job) clearSpool() {
	spool := InFolder(j.Spool)
	list, err := spool.List(context.Background(), j.Site)
	for _, k := range list {
		if spool.ours(context.Background(), k) {
			err = errors.Join(err, spool.remove(context.Background(), k.Name))
		}
	}
	if err != nil {
		j.Trouble(j.Spool, err)
	}
}

// prune removes what the shelf keeps no longer, now that made is there and good.
func (j *Job) prune(ctx context.Context, s Shelf, made Made, by record.Actor) {
	list, err := s.List(ctx, j.Site)
	if err != nil {
		j.Trouble(s.Where, err)
		return
	}
	now := j.Stamp()
	for _, k := range j.Config.Keep.over(list, made.Name, now.UTC.Time(), judgesAge(now)) {
		if !s.ours(ctx, k) {
			continue // whoever put it there may want it
		}
		err := s.remove(ctx, k.Name)
		e := &record.Backup{Action: record.BackupRemoved, Outcome: record.OutcomeGood, Name: k.Name, Where: s.Where, Size: k.Size,
			Why: j.Config.Keep.String(), By: by, Stamp: j.Stamp()}
		if err != nil {
			e.Outcome, e.Why = record.OutcomeFailed, err.Error()
			j.Trouble(s.Where, fmt.Errorf("the backup %s could not be removed from %s: %w", k.Name, s.Where, err))
		}
		j.record(ctx, s.Where, e)
	}
}

// String says in words what is kept.
func (k Keep) String() string {
	text := fmt.Sprintf("at most %d backups are kept", k.Count)
	if k.Days > 0 {
		text += fmt.Sprintf(", none older than %d days", k.Days)
	}
	return text
}

// record appends an entry. Where that fails the act stands, and it is told.
func (j *Job) record(ctx context.Context, where string, e *record.Backup) {
	if err := j.Record(ctx, e); err != nil {
		j.Trouble(where, fmt.Errorf("what was done with a backup (%s, %s) could not be recorded: %w", e.Action, e.Outcome, err))
	}
}

// entry says what was done with a backup.
func (m *Made) entry(action, where string, err error, by record.Actor, at record.Stamp) *record.Backup {
	e := &record.Backup{Action: action, Outcome: record.OutcomeGood, Name: m.Name, Where: where, Size: m.Size, Entries: m.Manifest.Entries,
		Checkpoint: m.Manifest.Checkpoint, SHA256: m.SHA256, By: by, Stamp: at}
	if err != nil {
		e.Outcome, e.Why = record.OutcomeFailed, err.Error()
	}
	return e
}

// Newest gives the newest backup on any shelf, by the names. What cannot be listed is told by the error, beside what can.
func (j *Job) Newest(ctx context.Context) (Kept, error) {
	list, err := j.List(ctx)
	var newest Kept
	for _, k := range list {
		if k.Made.After(newest.Made) {
			newest = k
		}
	}
	return newest, err
}

// List gives what is on all shelves.
func (j *Job) List(ctx context.Context) (all []Kept, err error) {
	for _, s := range j.shelves() {
		list, cannot := s.List(ctx, j.Site)
		all, err = append(all, list...), errors.Join(err, cannot)
	}
	return all, err
}

// VerifyNewest reads the newest backup of each place again and verifies it as Rehearse does. It gives what failed.
func (j *Job) VerifyNewest(ctx context.Context, by record.Actor) error {
	var failed error
	for _, s := range j.shelves() {
		list, err := s.List(ctx, j.Site)
		if err == nil && len(list) > 0 {
			err = j.verify(ctx, s, list[0], by)
		}
		failed = errors.Join(failed, err)
	}
	return failed
}

func (j *Job) verify(ctx context.Context, s Shelf, k Kept, by record.Actor) error {
	if err := os.MkdirAll(j.Spool, 0o750); err != nil {
		return fmt.Errorf("the folder in which backups are verified cannot be made: %w", err)
	}
	path := filepath.Join(s.folder, k.Name)
	if s.store != nil {
		fetched, err := j.fetch(ctx, s, k.Name)
		if err != nil {
			return err
		}
		defer os.Remove(fetched)
		path = fetched
	}
	e := &record.Backup{Action: record.BackupVerified, Outcome: record.OutcomeGood, Name: k.Name, Where: s.Where, Size: k.Size, By: by}
	r, err := VerifyFile(ctx, path, Check{Key: string(j.Order.PublicKey), Journal: j.Order.Journal, Scratch: j.Spool, Progress: j.Order.Progress})
	e.Entries, e.Checkpoint, e.SHA256, e.Stamp = r.Manifest.Entries, r.Manifest.Checkpoint, r.SHA256, j.Stamp()
	if err != nil {
		err = fmt.Errorf("in %s: %w", s.Where, err)
		e.Outcome, e.Why = record.OutcomeFailed, err.Error()
	}
	j.record(ctx, s.Where, e)
	return err
}

// fetch copies a backup from a sink into the spool.
func (j *Job) fetch(ctx context.Context, s Shelf, name string) (path string, err error) {
	r, err := s.read(ctx, name)
	if err != nil {
		return "", fmt.Errorf("the backup %s in %s cannot be read: %w", name, s.Where, err)
	}
	defer r.Close()
	f, err := os.CreateTemp(j.Spool, ".fetched-*.tar")
	if err != nil {
		return "", fmt.Errorf("the backup %s in %s cannot be fetched: %w", name, s.Where, err)
	}
	_, err = f.ReadFrom(ctxReader{ctx, r})
	if err = errors.Join(err, f.Close()); err != nil {
		return "", errors.Join(fmt.Errorf("the backup %s in %s cannot be fetched: %w", name, s.Where, err), os.Remove(f.Name()))
	}
	return f.Name(), nil
}

// RunTo makes one backup as a file of its own, and leaves the configured places as they are.
func (j *Job) RunTo(ctx context.Context, by record.Actor, file string) (Made, error) {
	j.Order.Name = filepath.Base(file)
	return j.make(ctx, by, filepath.Dir(file))
}
