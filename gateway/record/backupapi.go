package record

import (
	"errors"
	"fmt"
	"math"
	"unicode"
)

// BackupRequest asks for a backup of the journal now.
type BackupRequest struct {
	By    string // who asks, as the request says
	Apart bool   // only prepared, for whoever takes it from there: nothing is copied, nothing removed
	Actor Actor  // who asks, as far as known, and the way it came
}

// ErrNoBackup says that no place for backups is configured.
var ErrNoBackup = errors.New("no place for backups is configured: name a folder, or sinks, under backup")

// ErrBackupBusy says that another backup is being made or verified.
var ErrBackupBusy = errors.New("another backup is being made or verified at this moment: try again when it is done")

// longestName bounds the name of a person in a request, in bytes.
const longestName = 128

// ParseBackupRequest reads {"by": "name", "apart": true}; both may be left out.
func ParseBackupRequest(b []byte) (BackupRequest, error) {
	var r BackupRequest
	if len(b) == 0 {
		return r, nil
	}
	s := scanner{b: b}
	err := s.whole("the request", func(name string) (err error) {
		switch name {
		case "by":
			if r.By, err = s.string(name); err == nil {
				err = checkWho(r.By)
			}
		case "apart":
			r.Apart, err = s.bool(name)
		default:
			err = s.wrong(fmt.Sprintf("%.40q is unknown: a request has by and apart", name))
		}
		return err
	})
	return r, err
}

// ParseBackupVerified reads what somebody found out about a backup: by, name, where, outcome (good or failed), why, sha256,
// checkpoint, size and entries. Name, where and outcome are needed. Who and when are not filled in but for the id.
func ParseBackupVerified(b []byte) (*Backup, error) {
	v := &Backup{Action: BackupVerified, By: Actor{ID: "unknown"}}
	texts := map[string]*string{"by": &v.By.ID, "name": &v.Name, "where": &v.Where, "outcome": &v.Outcome, "why": &v.Why,
		"sha256": &v.SHA256, "checkpoint": &v.Checkpoint}
	s := scanner{b: b}
	err := s.whole("the request", func(name string) (err error) {
		if to := texts[name]; to != nil {
			*to, err = s.string(name)
			return err
		}
		var n uint64
		switch name {
		case "size":
			n, err = s.unsigned()
			v.Size = int64(min(n, math.MaxInt64))
		case "entries":
			v.Entries, err = s.unsigned()
		default:
			err = s.wrong(fmt.Sprintf("%.40q is unknown", name))
		}
		return err
	})
	switch {
	case err != nil:
		return nil, err
	case v.Name == "" || v.Where == "":
		return nil, errors.New("name and where are needed: which backup was verified, and where it is")
	case v.Outcome != OutcomeGood && v.Outcome != OutcomeFailed:
		return nil, errors.New("outcome is good or failed")
	}
	return v, checkWho(v.By.ID)
}

// checkWho says why a text cannot name a person, or nil.
func checkWho(name string) error {
	if name == "" || len(name) > longestName {
		return fmt.Errorf("by has 1 to %d bytes, not %d", longestName, len(name))
	}
	for _, c := range name {
		if !unicode.IsPrint(c) || c == unicode.ReplacementChar {
			return fmt.Errorf("by holds the character %U, which cannot be seen", c)
		}
	}
	return nil
}

// BackupAnswer tells of a backup that was made, read back and found good.
type BackupAnswer struct {
	Name    string   `json:"name" doc:"Name of its file."`
	Where   string   `json:"where" doc:"The folder that it is in, on the computer of the daemon."`
	Size    int64    `json:"size" doc:"Bytes."`
	SHA256  string   `json:"sha256" doc:"Of the whole file, hexadecimal."`
	Entries uint64   `json:"entries" doc:"It holds the entries from 1 to this."`
	Made    UTC      `json:"made"`
	Secrets []string `json:"secrets" nullable:"false" doc:"What goes along encrypted."`
	NotHeld []string `json:"not_held" nullable:"false" doc:"What it does not hold and must be entered again after a restore, a sentence each."`
	Trouble []string `json:"trouble" nullable:"false" doc:"What failed after it was made, a sentence each: a copy, an entry, the removal of an old one."`
}

// BackupKept is a backup in one place.
type BackupKept struct {
	Where string `json:"where" doc:"A folder of the daemon's computer, or a sink."`
	Name  string `json:"name"`
	Size  int64  `json:"size" doc:"Bytes."`
	Made  UTC    `json:"made" doc:"As its name says."`
}

// BackupView says how it stands with backups.
type BackupView struct {
	Configured bool         `json:"configured" doc:"Whether backups are made."`
	Kept       []BackupKept `json:"kept" nullable:"false" doc:"What is in all places, newest first in each."`
	Due        *UTC         `json:"due,omitempty" doc:"When the next one is made; absent where it is not known."`
	Overdue    bool         `json:"overdue" doc:"The newest one is older than it should be, or there is none."`
	Trouble    []string     `json:"trouble" nullable:"false" doc:"What could not be looked at, a sentence each."`
}
