package record

import (
	"encoding/json"
	"time"
)

// What was done with a backup, and what came of it.
const (
	BackupMade     = "made"
	BackupStored   = "stored" // copied to another place
	BackupVerified = "verified"
	BackupRemoved  = "removed"

	OutcomeGood   = "good"
	OutcomeFailed = "failed"
)

// Backup says that a backup was made, copied, verified or removed, or that this failed.
type Backup struct {
	Head
	Action  string `json:"action"`  // made, stored, verified or removed
	Outcome string `json:"outcome"` // good or failed
	// Name is the name of the backup's file; empty where none came to be.
	Name  string `json:"name,omitempty"`
	Where string `json:"where"` // a folder, or "sink ID"
	Size  int64  `json:"size,omitempty"`
	// Entries and Checkpoint say up to where the backup goes: a signed note (C2SP tlog-checkpoint).
	Entries    uint64 `json:"entries,omitempty"`
	Checkpoint string `json:"checkpoint,omitempty"`
	SHA256     string `json:"sha256,omitempty"` // of the whole file
	Why        string `json:"why,omitempty"`    // what failed, or why it was removed
	By         Actor  `json:"by"`
	Stamp      Stamp  `json:"stamp"`
}

func (b *Backup) Kind() Kind      { return KindBackup }
func (b *Backup) Subject() string { return "" }
func (b *Backup) Time() time.Time { return b.Stamp.UTC.Time() }

// ParseBackup reads an entry of this kind, and says of others that they are none.
func ParseBackup(e Entry) (Backup, bool) {
	var b Backup
	if e.Kind != KindBackup || json.Unmarshal(e.JSON, &b) != nil {
		return Backup{}, false
	}
	return b, true
}
