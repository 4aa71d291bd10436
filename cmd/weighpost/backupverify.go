package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"time"

	"weighpost/gateway/backup"
	"weighpost/gateway/clock"
	"weighpost/gateway/config"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

type backupVerify struct {
	File     string `arg:"" help:"The backup."`
	Key      string `placeholder:"FILE" help:"The public key to verify with, kept elsewhere. By default the one in the backup."`
	Identity string `placeholder:"FILE" help:"A key of age: the encrypted secrets are opened too."`
	Journal  string `placeholder:"DIR" help:"Compare with this journal, entry by entry, also while a daemon writes it."`
	Config   string `short:"c" placeholder:"FILE" help:"The daemon's configuration: compare with its journal, and record the result there."`
	By       string `placeholder:"NAME" help:"Who verifies it: goes into the journal."`
	JSON     bool   `help:"Print the result as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (backupVerify) Help() string {
	return `Every byte is held against the sums, the entries against the signed checkpoint, and a journal is built from them in a scratch
folder (TMPDIR) and verified. Nothing else is written. A backup that is cut short, damaged or of another journal is told apart,
and with --config one that is older than the configuration allows (backup, overdue). Exit status 1 for all of these.

Without --key the signature is held against the key in the backup itself: that shows that it is whole, and not who made it.`
}

// verifiedFacts is what --json prints.
type verifiedFacts struct {
	File        string   `json:"file"`
	Good        bool     `json:"good"`
	Kind        string   `json:"fault,omitempty"` // cut, damaged, foreign, old or newer
	Why         string   `json:"why,omitempty"`
	Entries     uint64   `json:"entries"`
	SHA256      string   `json:"sha256,omitempty"`
	Rebuilt     bool     `json:"rebuilt"`
	Compared    uint64   `json:"compared"`
	Beyond      uint64   `json:"journal_has_more"`
	Missing     uint64   `json:"journal_lacks"`
	Files       int      `json:"kept_files"`
	FilesAbsent []string `json:"kept_files_not_held"`
	Secrets     int      `json:"secrets_opened"`
	Recorded    bool     `json:"recorded"`
}

func (c backupVerify) Run(ctx context.Context, s streams) error {
	check := backup.Check{Progress: progress(s)}
	if err := c.keys(&check); err != nil {
		return err
	}
	var cfg *config.Config
	if c.Config != "" {
		var err error
		if cfg, err = config.LoadFile(c.Config); err != nil {
			return fmt.Errorf("the configuration %s has mistakes (weighpost validate config tells them): %w", c.Config, err)
		}
		if c.Journal == "" {
			c.Journal = cfg.Journal.Folder
		}
	}
	if c.Journal != "" {
		check.Journal = scanned(c.Journal)
	}
	r, err := backup.VerifyFile(ctx, c.File, check)
	var fault *backup.Fault
	if err != nil && (!errors.As(err, &fault) || ctx.Err() != nil) {
		return err // nothing was found out about the backup
	}
	if err == nil && cfg != nil && cfg.Backup.Asked() {
		full := cfg.Backup.WithDefaults()
		err = r.IsOld(c.File, full.Overdue.D(), time.Now())
		errors.As(err, &fault)
	}
	recorded := error(nil)
	if cfg != nil {
		recorded = c.record(ctx, r, err)
	}
	if printed := c.print(s, r, fault, cfg != nil && recorded == nil); printed != nil {
		return printed
	}
	if recorded != nil {
		recorded = fmt.Errorf("the result could not be recorded: %w", recorded)
	}
	return errors.Join(err, recorded)
}

// keys reads the key and the identity.
func (c backupVerify) keys(check *backup.Check) error {
	if c.Key != "" {
		text, err := os.ReadFile(c.Key)
		if err != nil {
			return fmt.Errorf("the public key cannot be read: %w", err)
		}
		check.Key = string(text)
	}
	if c.Identity != "" {
		f, err := os.Open(c.Identity)
		if err != nil {
			return fmt.Errorf("the identity cannot be read: %w", err)
		}
		defer f.Close()
		if check.Identities, err = backup.ParseIdentities(f); err != nil {
			return err
		}
	}
	return nil
}

// scanned is a journal that is read from its folder.
type scanned string

var errFull = errors.New("enough")

// Read gives up to max entries after a sequence.
func (s scanned) Read(ctx context.Context, after uint64, max int) ([]record.Entry, error) {
	var entries []record.Entry
	err := journal.Scan(ctx, string(s), after, func(e record.Entry) error {
		if entries = append(entries, e); len(entries) == max {
			return errFull
		}
		return nil
	})
	if errors.Is(err, errFull) {
		err = nil
	}
	return entries, err
}

// record tells the journal what was found out.
func (c backupVerify) record(ctx context.Context, r backup.Result, fault error) error {
	full, err := filepath.Abs(c.File)
	if err != nil {
		return err
	}
	e := &record.Backup{Action: record.BackupVerified, Outcome: record.OutcomeGood, Name: filepath.Base(full), Where: filepath.Dir(full),
		Entries: r.Manifest.Entries, Checkpoint: r.Manifest.Checkpoint, SHA256: r.SHA256, By: hostActor(c.By)}
	if info, err := os.Stat(full); err == nil {
		e.Size = info.Size()
	}
	if fault != nil {
		e.Outcome, e.Why = record.OutcomeFailed, fault.Error()
	}
	body := map[string]any{"name": e.Name, "where": e.Where, "outcome": e.Outcome, "size": e.Size, "entries": e.Entries}
	for key, text := range map[string]string{"by": c.By, "why": e.Why, "sha256": e.SHA256, "checkpoint": e.Checkpoint} {
		if text != "" {
			body[key] = text
		}
	}
	if c.By == "" {
		body["by"] = e.By.ID
	}
	return hostFlags{Config: c.Config}.act(ctx, deed{Method: http.MethodPost, Path: "/api/v1/backups/verified", Body: body,
		Here: func(ctx context.Context, _ *config.Config, j *journal.Journal) error {
			e.Stamp = clock.System{}.Stamp(time.Now())
			_, err := j.Append(ctx, e)
			return err
		}})
}

func (c backupVerify) print(s streams, r backup.Result, fault *backup.Fault, recorded bool) error {
	facts := verifiedFacts{File: c.File, Good: fault == nil, Entries: r.Manifest.Entries, SHA256: r.SHA256, Rebuilt: r.Rebuilt,
		Compared: r.Compared, Beyond: r.Beyond, Missing: r.Missing, Files: r.Kept, FilesAbsent: r.Absent, Secrets: r.Secrets, Recorded: recorded}
	if fault != nil {
		facts.Kind, facts.Why = fault.Kind, fault.Error()
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(facts)
	}
	if fault != nil && fault.Kind != backup.Old {
		return nil // the error says all
	}
	return printVerified(s.out, c, r)
}

func printVerified(w io.Writer, c backupVerify, r backup.Result) error {
	m := r.Manifest
	var all []error
	say := func(format string, args ...any) {
		_, err := fmt.Fprintln(w, plain(fmt.Sprintf(format, args...)))
		all = append(all, err)
	}
	say("%s: whole: %d entries of %s, made at %s", c.File, m.Entries, m.Origin, m.Made.UTC)
	say("sha256 %s", r.SHA256)
	if c.Key == "" {
		say("signed by the key that the backup brings along; with --key it can be shown who signed it")
	} else {
		say("signed by the key in %s or one that it vouches for", c.Key)
	}
	if r.Rebuilt {
		say("a journal was built from it and verified")
	}
	if c.Journal != "" {
		say("%d entries are those of the journal in %s, which has %d more and lacks %d", r.Compared, c.Journal, r.Beyond, r.Missing)
	}
	if r.Kept > 0 {
		say("%d files of certificates, each as its hash in the entries says", r.Kept)
	}
	if c.Identity != "" {
		say("%d secrets can be read", r.Secrets)
	}
	for _, what := range r.Absent {
		say("not in it: %s", what)
	}
	for _, what := range m.NotHeld {
		say("not in it: %s", what)
	}
	return errors.Join(all...)
}
