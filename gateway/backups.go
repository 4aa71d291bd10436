package gateway

import (
	"context"
	"fmt"
	"sync"
	"time"

	"weighpost/gateway/backup"
	"weighpost/gateway/health"
	"weighpost/gateway/record"
)

// backups is what the daemon knows of its backups. One is made or verified at a time.
type backups struct {
	turn chan struct{} // holds a token while one is made or verified

	mu       *sync.Mutex
	seen     time.Time // of the newest backup in any place
	known    bool      // the places were looked at
	verified time.Time // when the newest ones were verified last
	failed   string    // why the last one failed
	told     time.Time // when that was recorded
	retry    time.Time // not before
}

func newBackups() backups { return backups{turn: make(chan struct{}, 1), mu: new(sync.Mutex)} }

const (
	backupLook     = time.Minute      // how often the keeper looks whether something is due
	backupRetry    = 15 * time.Minute // after a failure
	backupPatience = 5 * time.Second  // how long a request waits for one that is being made
	retellAfter    = 24 * time.Hour   // the same failure is recorded again
	lookBack       = 100_000          // how many entries a start looks through for when backups were verified
)

// keepBackups makes, verifies and removes backups as the configuration asks, and says when that does not work.
func (g *Gateway) keepBackups(ctx context.Context) {
	g.recallVerified(ctx)
	tick := time.NewTicker(backupLook)
	defer tick.Stop()
	for {
		g.backupRound(ctx, time.Now())
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// backupRound does what is due.
func (g *Gateway) backupRound(ctx context.Context, now time.Time) {
	c := g.now.Load().cfg.Backup.WithDefaults()
	if !c.Asked() {
		g.clearBackups()
		return
	}
	select {
	case g.backups.turn <- struct{}{}:
	default:
		return // somebody makes one
	}
	defer func() { <-g.backups.turn }()
	job, err := g.backupJob(nil)
	if err != nil {
		g.backupFailed(ctx, err, now)
		return
	}
	g.lookAtBackups(ctx, job)
	by := record.Actor{ID: "backup", By: record.ActorSchedule}
	b := &g.backups
	switch {
	case ctx.Err() != nil || now.Before(b.retry):
	case !c.Due(b.seen).After(now):
		if _, err := job.Run(ctx, by); err != nil {
			g.backupFailed(ctx, err, now)
		} else {
			g.backupWorks()
			g.lookAtBackups(ctx, job)
		}
	case now.Sub(b.verified) >= c.Verify.D():
		b.verified = now
		if err := job.VerifyNewest(ctx, by); err != nil && ctx.Err() == nil {
			g.backupFailed(ctx, err, now)
		}
	}
	g.judgeBackups(c, now)
}

// backupJob is a job with this daemon's journal, clock and sinks. What goes wrong beside the backup goes to trouble too, if that
// is not nil.
func (g *Gateway) backupJob(trouble *[]string) (*backup.Job, error) {
	now := g.now.Load()
	job, err := now.cfg.BackupJob(g.journal, now.software)
	if err != nil {
		return nil, err
	}
	for _, id := range now.cfg.Backup.Sinks {
		for _, s := range now.sinks {
			if s.cfg.Delivery.ID == id && s.store != nil {
				job.Sinks = append(job.Sinks, backup.InSink(id, s.store))
			}
		}
	}
	job.Stamp, job.Order.Room = g.stamp, g.journal.Room
	job.Record = func(ctx context.Context, e *record.Backup) error {
		if e.Action == record.BackupMade && e.Outcome == record.OutcomeFailed && e.By.By == record.ActorSchedule && !g.worthTelling(e.Why) {
			return nil
		}
		_, err := g.journal.Append(ctx, e)
		return err
	}
	job.Trouble = func(where string, err error) {
		if err != nil && trouble != nil {
			*trouble = append(*trouble, err.Error())
		}
		g.backupTrouble(where, err)
	}
	return job, nil
}

// worthTelling says whether a failure is to be recorded: the same one again and again would fill the journal.
func (g *Gateway) worthTelling(why string) bool {
	g.backups.mu.Lock()
	defer g.backups.mu.Unlock()
	if g.backups.failed == why && time.Since(g.backups.told) < retellAfter {
		return false
	}
	g.backups.failed, g.backups.told = why, time.Now()
	return true
}

// backupTrouble tells that one place does not work, or works again.
func (g *Gateway) backupTrouble(where string, err error) {
	if err == nil {
		g.board.Clear(health.BackupNotCopied, where)
		return
	}
	g.log.Warn("a place of backups", "where", where, "err", err)
	g.board.Raise(health.Condition{
		Code: health.BackupNotCopied, Subject: where, Severity: health.Warning,
		Sentence: fmt.Sprintf("Something failed beside a backup: %v.", err),
		Remedy:   "The backup itself was made and is kept. Mend that place; the next backup goes there again.",
	})
}

// backupFailed tells that no backup could be made, or that one is no good.
func (g *Gateway) backupFailed(ctx context.Context, err error, now time.Time) {
	if ctx.Err() != nil {
		return // the daemon ends
	}
	g.backups.retry = now.Add(backupRetry)
	g.log.Error("backup", "err", err)
	g.board.Raise(health.Condition{
		Code: health.BackupFailed, Subject: "backup", Severity: health.Warning,
		Sentence: fmt.Sprintf("A backup failed: %v.", err),
		Remedy:   "Mend what this names. It is tried again every quarter of an hour; weighpost backup create tries at once.",
	})
}

func (g *Gateway) backupWorks() {
	g.board.Clear(health.BackupFailed, "backup")
	g.backups.retry = time.Time{}
	g.backups.mu.Lock()
	defer g.backups.mu.Unlock()
	g.backups.failed = ""
}

func (g *Gateway) clearBackups() {
	for _, c := range g.board.List() {
		if c.Code == health.BackupFailed || c.Code == health.BackupOverdue || c.Code == health.BackupNotCopied {
			g.board.Clear(c.Code, c.Subject)
		}
	}
}

// lookAtBackups finds the newest backup.
func (g *Gateway) lookAtBackups(ctx context.Context, job *backup.Job) {
	newest, err := job.Newest(ctx)
	if err != nil && ctx.Err() == nil {
		g.log.Warn("backups cannot be listed", "err", err)
	}
	g.backups.mu.Lock()
	defer g.backups.mu.Unlock()
	if err == nil || newest.Made.After(g.backups.seen) {
		g.backups.seen = newest.Made
	}
	g.backups.known = true
}

// judgeBackups says when the newest backup is too old.
func (g *Gateway) judgeBackups(c backup.Config, now time.Time) {
	g.backups.mu.Lock()
	seen, known := g.backups.seen, g.backups.known
	g.backups.mu.Unlock()
	switch {
	case !known:
	case seen.IsZero():
		g.overdue("There is no backup of the journal yet.")
	case now.Sub(seen) > c.Overdue.D():
		g.overdue(fmt.Sprintf("The newest backup was made on %s, and one is to be made every %s.", record.UTC(seen), c.Every))
	default:
		g.board.Clear(health.BackupOverdue, "backup")
	}
}

func (g *Gateway) overdue(sentence string) {
	g.board.Raise(health.Condition{
		Code: health.BackupOverdue, Subject: "backup", Severity: health.Warning, Sentence: sentence,
		Remedy: "See why none was made, and make one: weighpost backup create. Until then a failing disk takes what was recorded since.",
		From:   []health.Ref{{Code: health.BackupFailed, Subject: "backup"}},
	})
}

// recallVerified looks through the last entries for when backups were verified. Where that is further back, they are again.
func (g *Gateway) recallVerified(ctx context.Context) {
	head := g.journal.Head()
	for end := head; end > 0 && head-end < lookBack && ctx.Err() == nil; {
		from := end - min(end, 1000)
		entries, err := g.journal.Read(ctx, from, int(end-from))
		if err != nil {
			return
		}
		for _, e := range entries {
			if at, ok := verifiedAt(e); ok {
				g.backups.verified = at
			}
		}
		if !g.backups.verified.IsZero() {
			return
		}
		end = from
	}
}

// verifiedAt is when a backup was found good, if that is what an entry says.
func verifiedAt(e record.Entry) (time.Time, bool) {
	b, ok := record.ParseBackup(e)
	return b.Time(), ok && b.Action == record.BackupVerified && b.Outcome == record.OutcomeGood
}

// MakeBackup makes a backup because somebody asks for it.
func (g *Gateway) MakeBackup(ctx context.Context, r record.BackupRequest) (record.BackupAnswer, error) {
	if !r.Apart && !g.now.Load().cfg.Backup.Asked() {
		return record.BackupAnswer{}, record.ErrNoBackup
	}
	select {
	case g.backups.turn <- struct{}{}:
	case <-time.After(backupPatience):
		return record.BackupAnswer{}, record.ErrBackupBusy
	case <-ctx.Done():
		return record.BackupAnswer{}, ctx.Err()
	}
	defer func() { <-g.backups.turn }()
	trouble := []string{}
	job, err := g.backupJob(&trouble)
	if err != nil {
		return record.BackupAnswer{}, err
	}
	by := r.Actor
	if by.ID == "" {
		by.ID = "unknown"
	}
	run := job.Run
	if r.Apart {
		run = job.RunApart
	}
	made, err := run(ctx, by)
	if err != nil {
		return record.BackupAnswer{}, err
	}
	if !r.Apart {
		g.backupWorks()
		g.lookAtBackups(ctx, job)
		g.judgeBackups(job.Config, time.Now())
	}
	return made.Answer(trouble), nil
}

// NoteVerified records what somebody found out about a backup.
func (g *Gateway) NoteVerified(ctx context.Context, b *record.Backup) (string, error) {
	b.Stamp = g.stamp()
	entries, err := g.journal.Append(ctx, b)
	if err != nil {
		return "", err
	}
	return entries[0].ID, nil
}

// ListBackups says how it stands with backups.
func (g *Gateway) ListBackups(ctx context.Context) record.BackupView {
	job, err := g.backupJob(nil)
	if err != nil {
		return record.BackupView{Kept: []record.BackupKept{}, Trouble: []string{err.Error()}}
	}
	return job.View(ctx, time.Now())
}
