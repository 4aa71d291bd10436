package record

import "time"

// Causes of another life of a journal.
const (
	LifeRestored = "restored" // it was built from a backup
	LifeCloned   = "cloned"   // its folder came to another computer, by a copy of the disk or by the disk itself
)

// Restored says that this journal goes on from a backup, or on another computer, as a new incarnation. It is the first entry
// of that incarnation: the entries before it are those of its predecessor, bytes and sequences alike.
type Restored struct {
	Head
	Cause string `json:"cause"` // restored or cloned
	// Incarnation is the new one, and Origin the name of the tree in its checkpoints from this entry on.
	Incarnation string      `json:"incarnation"`
	Origin      string      `json:"origin"`
	Predecessor Predecessor `json:"predecessor"`
	// Backup is what the journal was built from; absent where its own folder goes on.
	Backup *RestoredBackup `json:"backup,omitempty"`
	// Learnt is what each place said of the predecessor that was asked for it, one by one.
	Learnt []LearntHead `json:"learnt,omitempty"`
	// Missing is what the predecessor is known to have had beyond the backup, and is not in this journal.
	Missing *KnownMissing `json:"known_missing,omitempty"`
	Reason  string        `json:"reason,omitempty"`
	Actor   Actor         `json:"actor"`
	Stamp   Stamp         `json:"stamp"`
}

// Predecessor is the life of a journal before this one, with its last known head.
type Predecessor struct {
	Incarnation string `json:"incarnation"`
	Origin      string `json:"origin"`
	Entries     uint64 `json:"entries"`        // that it is known to have had: never fewer than are in this journal
	Root        string `json:"root,omitempty"` // tree hash of these, base64; absent where only their number is known
	From        string `json:"from"`           // where that was learnt: one of those in Learnt, the backup or the folder itself
}

// RestoredBackup names a backup.
type RestoredBackup struct {
	File       string `json:"file"`       // its name, without a folder
	Entries    uint64 `json:"entries"`    // in it
	Checkpoint string `json:"checkpoint"` // the signed note over exactly these
	Made       UTC    `json:"made"`
}

// LearntHead is what one place said of the predecessor.
type LearntHead struct {
	Where      string `json:"where"`             // backup, folder, checkpoint FILE, sink ID
	Entries    uint64 `json:"entries,omitempty"` // that the predecessor had, at the least
	Root       string `json:"root,omitempty"`    // tree hash of these, base64
	Checkpoint string `json:"checkpoint,omitempty"`
	Delivered  uint64 `json:"delivered,omitempty"` // entries beyond the backup that are there
	Why        string `json:"why,omitempty"`       // where nothing, or not all, could be learnt, or it is not to be trusted
}

// How much of what is missing an entry lists.
const (
	MostMissingIDs   = 1000
	MostMissingSpans = 1000
)

// KnownMissing is what is known of entries that are lost to this journal.
type KnownMissing struct {
	First uint64 `json:"first"` // sequences in the predecessor; what came after Last is not known
	Last  uint64 `json:"last"`
	// Delivered is how many of them some destination holds, IDs their ids in the predecessor's order, the first 1,000, and
	// Spans their sequences, the first 1,000 spans.
	Delivered uint64         `json:"delivered"`
	IDs       []string       `json:"ids,omitempty"`
	Spans     []SequenceSpan `json:"spans,omitempty"`
	More      bool           `json:"more,omitempty"` // not all ids or spans are listed
}

// SequenceSpan is a run of sequences, both ends included.
type SequenceSpan struct {
	First uint64 `json:"first"`
	Last  uint64 `json:"last"`
}

func (r *Restored) Kind() Kind      { return KindRestored }
func (r *Restored) Subject() string { return "" }
func (r *Restored) Time() time.Time { return r.Stamp.UTC.Time() }
