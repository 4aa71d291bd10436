package journal

import (
	"fmt"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// Life is one incarnation of a journal as Verify found it.
type Life struct {
	Incarnation string `json:"incarnation"`
	Origin      string `json:"origin"`
	First       uint64 `json:"first"`           // its first entry
	Cause       string `json:"cause,omitempty"` // restored or cloned; absent for the first life
	Key         string `json:"key,omitempty"`   // id of the key that signs at its end: name+hash
	// Missing is how many entries the life before is known to have had that are not in this journal.
	Missing uint64 `json:"known_missing,omitempty"`
}

// lineage follows which life the tree is in. The origin of the first is only told by its checkpoints until a second begins, or
// the end is reached.
type lineage struct {
	origin  string // of the checkpoints from here on; "" where not yet known
	told    uint64 // the checkpoint that origin was taken from, where no entry has told it
	guessed bool
	list    []Life
}

// restored takes the entry that begins another life. That its id and the incarnations agree was found before.
func (v *verifier) restored(e record.Entry) {
	r, err := readRestored(e)
	if err != nil {
		return // cannot be: its identity was found right
	}
	v.lives.confirm(v, r.Predecessor.Origin)
	if len(v.lives.list) == 0 {
		v.lives.list = append(v.lives.list, Life{Incarnation: r.Predecessor.Incarnation, Origin: r.Predecessor.Origin, First: 1})
	}
	if had := r.Predecessor.Entries; had < e.Seq-1 {
		v.report.fault(e.Seq, FaultIdentity, "it says that its predecessor had %d entries, and there are %d before it", had, e.Seq-1)
	}
	life := Life{Incarnation: r.Incarnation, Origin: r.Origin, First: e.Seq, Cause: r.Cause}
	life.Missing = max(r.Predecessor.Entries, e.Seq-1) - (e.Seq - 1)
	v.lives.list = append(v.lives.list, life)
	v.lives.origin, v.lives.guessed = r.Origin, false
}

// of says whether a checkpoint over at entries has the right origin.
func (l *lineage) of(origin string, at uint64) bool {
	if l.origin == "" {
		l.origin, l.told, l.guessed = origin, at, true
	}
	return origin == l.origin
}

// begunAt says whether the newest life was built from a backup and begins with this entry.
func (l *lineage) begunAt(seq uint64) bool {
	n := len(l.list)
	return n > 1 && l.list[n-1].First == seq && l.list[n-1].Cause == record.LifeRestored
}

// follows says whether a head is of the life before the last, which ended there: the new one was begun, and a cut came before
// the head was written.
func (l *lineage) follows(h headState) bool {
	n := len(l.list)
	return n > 1 && l.list[n-2].Incarnation == h.incarnation && l.list[n-1].First == h.seq+1
}

// confirm holds what was taken from a checkpoint against the origin of the life that has ended.
func (l *lineage) confirm(v *verifier, origin string) {
	if l.origin == "" || l.origin == origin {
		return
	}
	if l.guessed {
		v.report.fault(l.told, FaultCheckpoint, "the checkpoint is of %q, not of this journal", l.origin)
		return
	}
	v.report.fault(0, FaultIdentity, "the life that ends is of %q, and what follows says that it was %q", l.origin, origin)
}

// endLives closes the list of lives.
func (v *verifier) endLives() {
	r := &v.report
	v.lives.confirm(v, r.Origin)
	if len(v.lives.list) == 0 {
		v.lives.list = []Life{{Incarnation: r.Incarnation, Origin: r.Origin, First: 1}}
	}
	r.Lives = v.lives.list
	r.Lives[len(r.Lives)-1].Key = proof.KeyID(v.keys.now)
}

// livesText tells the lives, where there was more than one.
func (r *Report) livesText(line func(name, format string, args ...any)) {
	if len(r.Lives) < 2 {
		return
	}
	for i, l := range r.Lives {
		name, from, missing := "", "from entry 1 on", ""
		if i == 0 {
			name = "lives"
		} else {
			from = fmt.Sprintf("from entry %d on: %s", l.First, l.Cause)
		}
		if l.Missing > 0 {
			missing = fmt.Sprintf("; %d entries of the life before are known to be missing", l.Missing)
		}
		line(name, "%s, %s%s", l.Incarnation, from, missing)
	}
}
