package journal

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/ncruces/go-sqlite3"
)

// toldPrefix begins the names in the table meta that say which destination has taken which checkpoint.
const toldPrefix = "told/"

// Acknowledgement is this journal's own note that a destination took a checkpoint. It shows nobody anything: what can be shown
// is shown by the checkpoint itself, fetched from there (see Against).
type Acknowledgement struct {
	Sink string    `json:"sink"`
	Size uint64    `json:"size"` // entries that the checkpoint covers
	At   time.Time `json:"at"`
}

// Acknowledged notes that a destination has taken the checkpoint of so many entries. It is written with the next commit, within
// two seconds when there is none, or at Close: after a crash the note may tell of an older one.
func (j *Journal) Acknowledged(sink string, size uint64, at time.Time) error {
	if err := checkCursor(sink); err != nil {
		return err
	}
	if head := j.Head(); size > head {
		return fmt.Errorf("%s cannot have taken a checkpoint of %d entries: the journal ends with entry %d", sink, size, head)
	}
	return j.writeLater(func() { j.told[sink], j.toldNow[sink] = Acknowledgement{sink, size, at.UTC()}, true })
}

// Acknowledgements lists which destination took which checkpoint last, as far as this journal has noted it, by name.
func (j *Journal) Acknowledgements() []Acknowledgement {
	j.mu.Lock()
	defer j.mu.Unlock()
	return sortedTold(j.told)
}

func sortedTold(told map[string]Acknowledgement) []Acknowledgement {
	list := make([]Acknowledgement, 0, len(told))
	for _, name := range slices.Sorted(maps.Keys(told)) {
		list = append(list, told[name])
	}
	return list
}

// takeTold gives the acknowledgements that are to be written.
func (j *Journal) takeTold() []Acknowledgement {
	j.mu.Lock()
	defer j.mu.Unlock()
	now := map[string]Acknowledgement{}
	for name := range j.toldNow {
		now[name] = j.told[name]
	}
	clear(j.toldNow)
	return sortedTold(now)
}

// giveBackTold marks acknowledgements that could not be written.
func (j *Journal) giveBackTold(told []Acknowledgement) {
	j.mu.Lock()
	defer j.mu.Unlock()
	for _, a := range told {
		j.toldNow[a.Sink] = true
	}
}

func putTold(db *sqlite3.Conn, told []Acknowledgement) error {
	for _, a := range told {
		text, err := json.Marshal(a)
		if err != nil {
			return err
		}
		if err := putMeta(db, toldPrefix+a.Sink, string(text)); err != nil {
			return err
		}
	}
	return nil
}

// parseTold reads a row of the table meta; ok is false where it is none of these.
func parseTold(name, value string) (a Acknowledgement, ok bool) {
	if len(name) <= len(toldPrefix) || name[:len(toldPrefix)] != toldPrefix {
		return a, false
	}
	err := json.Unmarshal([]byte(value), &a)
	a.Sink = name[len(toldPrefix):]
	return a, err == nil
}

// endTold lists the acknowledgements in the report, and finds those of more entries than there are.
func (v *verifier) endTold() {
	r := &v.report
	told := map[string]Acknowledgement{}
	err := query(v.db, "SELECT name, value FROM meta", nil, func(row *sqlite3.Stmt) error {
		if a, ok := parseTold(row.ColumnText(0), row.ColumnText(1)); ok {
			told[a.Sink] = a
		}
		return nil
	})
	if err != nil {
		r.fault(0, FaultFile, "journal.db cannot be read: %v", err)
		return
	}
	r.Acknowledged = sortedTold(told)
	for _, a := range r.Acknowledged {
		if a.Size > r.Entries {
			r.fault(0, FaultState, "the sink %q took a checkpoint of %d entries, and journal.db ends with entry %d", a.Sink, a.Size, r.Entries)
		}
	}
	if len(r.Acknowledged) > 0 && len(v.held) == 0 {
		r.Elsewhere = "not shown: give a checkpoint that is held elsewhere with --against"
	}
}

// toldText tells of acknowledged checkpoints.
func (r *Report) toldText(line func(name, format string, args ...any)) {
	for i, a := range r.Acknowledged {
		name := ""
		if i == 0 {
			name = "acknowledged"
		}
		line(name, "by sink %s: checkpoint of %d entries at %s (a note of this journal: fetch it there, and hold it against this with --against)",
			a.Sink, a.Size, a.At.UTC().Format(time.RFC3339))
	}
}
