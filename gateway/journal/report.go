package journal

import (
	"fmt"
	"strings"
	"time"
)

// maxFaults is how many faults a report spells out.
const maxFaults = 20

// The kinds of fault that a report names.
const (
	FaultFile       = "file"       // a file is missing, foreign or cannot be read
	FaultMissing    = "missing"    // an entry is not there
	FaultEdited     = "edited"     // an entry's bytes are not those that were recorded
	FaultTree       = "tree"       // a tree hash does not follow from the entries before it
	FaultIdentity   = "identity"   // an id, sequence or number is out of line
	FaultHead       = "head"       // the journal and its head file do not agree
	FaultCheckpoint = "checkpoint" // a checkpoint is not signed, or the journal does not agree with it
	FaultKey        = "key"        // a key that nobody vouched for, or one that is not the journal's
	FaultState      = "state"      // cursors, numbers or parked entries do not agree with the entries
	FaultSegment    = "segment"    // a sealed span's file is missing, or not as it was written
)

// Fault is one thing that is wrong.
type Fault struct {
	Seq   uint64 `json:"seq,omitempty"` // entry, or number of entries; 0 where it is about no entry
	Kind  string `json:"kind"`
	What  string `json:"what"`
	Where string `json:"where,omitempty"` // file, byte and page of the entry, as far as that can be told
}

// Report is what Verify found.
type Report struct {
	Verified     bool              `json:"verified"` // no fault
	Version      int               `json:"version"`  // of journal.db
	Origin       string            `json:"origin"`   // name of the tree in its checkpoints
	Incarnation  string            `json:"incarnation"`
	Lives        []Life            `json:"lives"` // oldest first; the last is Incarnation
	Entries      uint64            `json:"entries"`
	Root         string            `json:"root,omitempty"` // tree hash of all entries, base64
	Head         uint64            `json:"head"`           // entries that the head file vouches for
	Key          string            `json:"key"`            // id of the key that was given, or is beside the journal: name+hash
	Keys         []KeySpan         `json:"keys"`           // oldest first; the last is in force
	Checkpoints  uint64            `json:"checkpoints"`
	Signed       uint64            `json:"signed"` // entries covered by the last good checkpoint
	Sealed       SegmentsReport    `json:"sealed"`
	Elsewhere    string            `json:"held_elsewhere"`
	Against      []AgainstReport   `json:"against,omitempty"` // by what it was proved
	Time         TimeReport        `json:"time"`
	Background   *Background       `json:"background,omitempty"` // the last whole pass of the daemon; absent where there was none
	Live         bool              `json:"live"`                 // a daemon was writing meanwhile
	Notes        []string          `json:"notes"`                // no faults, and to be known
	Faults       []Fault           `json:"faults"`
	More         uint64            `json:"more_faults"`            // beyond those in Faults
	Acknowledged []Acknowledgement `json:"acknowledged,omitempty"` // the journal's own notes
}

// note says something that is no fault, and that whoever verifies has to know.
func (r *Report) note(format string, args ...any) {
	r.Notes = append(r.Notes, fmt.Sprintf(format, args...))
}

func (r *Report) fault(seq uint64, kind, format string, args ...any) {
	if len(r.Faults) == maxFaults {
		r.More++
		return
	}
	r.Faults = append(r.Faults, Fault{Seq: seq, Kind: kind, What: fmt.Sprintf(format, args...)})
}

// extended is how many entries the newest checkpoint covers that was held elsewhere.
func (r *Report) extended() (n uint64) {
	for _, a := range r.Against {
		n = max(n, a.Newest)
	}
	return n
}

// Text is the report for people.
func (r *Report) Text() string {
	var b strings.Builder
	line := func(name, format string, args ...any) {
		fmt.Fprintf(&b, "%-16s"+format+"\n", append([]any{name}, args...)...)
	}
	line("journal", "%s (version %d)", r.Origin, r.Version)
	r.livesText(line)
	r.keysText(line)
	line("entries", "%d", r.Entries)
	if r.Root != "" {
		line("root", "%s", r.Root)
	}
	line("head file", "%d entries", r.Head)
	line("checkpoints", "%d; the last covers %d of %d entries", r.Checkpoints, r.Signed, r.Entries)
	r.segmentsText(line)
	line("key", "%s", r.Key)
	line("held elsewhere", "%s", r.Elsewhere)
	r.toldText(line)
	if b := r.Background; b != nil {
		line("in background", "verified up to entry %d at %s", b.Entries, b.At.UTC().Format(time.RFC3339))
	}
	r.timesText(line)
	for _, n := range r.Notes {
		line("note", "%s", n)
	}
	if r.Live {
		line("note", "a daemon is writing this journal; entries that came after the start of this check are included as far as they were there")
	}
	if r.Verified {
		if n := r.extended(); n > 0 {
			line("result", "no fault found. The first %d entries are those that were there when that checkpoint was taken:", n)
			line("", "nobody has changed, dropped or added any of them since, with the key or without it.")
			return b.String()
		}
		line("result", "no fault found. This shows that nothing was changed by someone without the key and the head file;")
		line("", "against someone with both, only a checkpoint that is held elsewhere can show it.")
		return b.String()
	}
	line("result", "%d faults", uint64(len(r.Faults))+r.More)
	for _, f := range r.Faults {
		where := ""
		if f.Where != "" {
			where = " (" + f.Where + ")"
		}
		if f.Seq > 0 {
			fmt.Fprintf(&b, "  entry %d: %s: %s%s\n", f.Seq, f.Kind, f.What, where)
		} else {
			fmt.Fprintf(&b, "  %s: %s%s\n", f.Kind, f.What, where)
		}
	}
	if r.More > 0 {
		fmt.Fprintf(&b, "  and %d more\n", r.More)
	}
	return b.String()
}
