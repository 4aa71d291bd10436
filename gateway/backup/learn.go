package backup

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"golang.org/x/mod/sumdb/note"

	"weighpost/gateway/journal"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
	"weighpost/sinks"
)

// Witness is a destination that is asked what it holds of the journal that was lost.
type Witness struct {
	ID  string        // of the sink
	Ask sinks.Witness // nil: it cannot be asked, and Why says why
	Why string
}

// KnownCheckpoint is a signed checkpoint that somebody kept.
type KnownCheckpoint struct {
	Where string // for people
	Note  []byte
}

// perWitness is how long one destination may take to answer.
const perWitness = 5 * time.Minute

// learner gathers what is known of a journal beyond its backup.
type learner struct {
	b     *File
	s     journal.Snapshot
	keys  []note.Verifier // of the backup's checkpoint, and those before it
	lives map[string]bool
	roots map[uint64]string // wanted, by size; filled by scan
	seqs  map[uint64]string // sequence beyond the backup → id, as destinations say
	notes []claim
	out   []record.LearntHead
	head  record.Predecessor
}

// claim is a checkpoint that covers no more than the backup: it must agree with it.
type claim struct {
	at   int // in out
	sign proof.Checkpoint
}

func newLearner(b *File, s journal.Snapshot, key string) (*learner, error) {
	k, err := proof.ParseKey(key)
	if err != nil {
		return nil, err
	}
	l := &learner{b: b, s: s, keys: []note.Verifier{k}, lives: map[string]bool{s.Incarnation: true}, roots: map[uint64]string{}, seqs: map[uint64]string{}}
	l.head = record.Predecessor{Entries: s.Size, Root: b.manifest.Root, From: "backup"}
	l.out = append(l.out, record.LearntHead{Where: "backup", Entries: s.Size, Root: b.manifest.Root, Checkpoint: b.manifest.Checkpoint})
	return l, nil
}

// folder takes what the journal says that is to be replaced.
func (l *learner) folder(f journal.Found) {
	if !f.Present {
		return
	}
	h := record.LearntHead{Where: "folder", Entries: f.Entries, Why: f.Why}
	switch {
	case f.Incarnation == "":
		h.Why = "it does not say how far it had come: " + f.Why
	case f.Incarnation != l.s.Incarnation:
		h.Entries, h.Why = 0, fmt.Sprintf("it is another journal, incarnation %s with %d entries: nothing of it is known to this backup", f.Incarnation, f.Entries)
	default:
		h.Root = f.Root.String()
		l.reach(h)
	}
	l.out = append(l.out, h)
}

// reach takes a head that is farther than those so far.
func (l *learner) reach(h record.LearntHead) {
	if h.Entries > l.head.Entries || h.Entries == l.head.Entries && l.head.Root == "" {
		l.head.Entries, l.head.Root, l.head.From = h.Entries, h.Root, h.Where
	}
}

// checkpoint takes a signed checkpoint. It counts only if the key of the backup signed it.
func (l *learner) checkpoint(where string, signed []byte) {
	h := record.LearntHead{Where: where}
	c, err := proof.Open(signed, l.keys...)
	switch at, perr := proof.Peek(signed); {
	case perr != nil:
		h.Why = fmt.Sprintf("what is there is no checkpoint: %v", perr)
	case err != nil:
		h.Why = fmt.Sprintf("a checkpoint of %.100q over %d entries is not signed by a key of this backup (%s), and is not believed", at.Origin, at.Size, proof.KeyID(l.keys[0]))
	case c.Origin != l.s.Origin:
		h.Why = fmt.Sprintf("its checkpoint is of %q, another life than the backup's", c.Origin)
	default:
		h.Entries, h.Root, h.Checkpoint = c.Size, c.Root.String(), string(signed)
		l.reach(h)
		if c.Size <= l.s.Size {
			l.roots[c.Size] = ""
			l.notes = append(l.notes, claim{len(l.out), c})
		}
	}
	l.out = append(l.out, h)
}

// witness asks one destination.
func (l *learner) witness(ctx context.Context, w Witness) {
	where := "sink " + w.ID
	if w.Ask == nil {
		l.out = append(l.out, record.LearntHead{Where: where, Why: w.Why})
		return
	}
	limit, cancel := context.WithTimeout(ctx, perWitness)
	defer cancel()
	held, err := w.Ask.Held(limit, l.s.Size)
	if err = errors.Join(err, w.Ask.Close()); err != nil {
		l.out = append(l.out, record.LearntHead{Where: where, Why: fmt.Sprintf("nothing could be learnt from it: %v", err)})
		return
	}
	for i, signed := range held.Checkpoints {
		if i < mostClaims {
			l.checkpoint(where, signed)
		}
	}
	h := record.LearntHead{Where: where, Why: held.Partial}
	other := map[string]uint64{}
	for _, e := range held.Entries {
		part := strings.Split(e.ID, "/")
		if e.Seq <= l.s.Size || len(part) != 4 || part[0] != l.s.Site {
			continue
		}
		if part[1] != l.s.Incarnation {
			other[part[1]]++
			continue
		}
		h.Delivered, h.Entries = h.Delivered+1, max(h.Entries, e.Seq)
		if _, known := l.seqs[e.Seq]; !known {
			l.seqs[e.Seq] = e.ID
		}
	}
	l.reach(h)
	l.out = append(l.out, h)
	l.strangers(where, other)
}

// strangers tells of entries of lives that the backup does not know of. Those of lives before it lie behind it.
func (l *learner) strangers(where string, other map[string]uint64) {
	n, told := uint64(0), []string{}
	for incarnation, count := range other {
		if !l.lives[incarnation] {
			n, told = n+count, append(told, incarnation)
		}
	}
	if n == 0 {
		return
	}
	slices.Sort(told)
	if len(told) > 5 {
		told = append(told[:5], "…")
	}
	l.out = append(l.out, record.LearntHead{Where: where, Delivered: n,
		Why: "these are of other lives of the journal, which this backup does not know: " + strings.Join(told, ", ")})
}

// mostClaims is how many checkpoints of one destination are looked at.
const mostClaims = 16

// scan reads the backup's entries for its lives and keys. They were verified, and with them the keys in them.
func (l *learner) scan(ctx context.Context) error {
	return l.b.entries(ctx, func(_ []byte, e record.Entry, _ *tree) error {
		switch e.Kind {
		case record.KindRestored:
			var r record.Restored
			if json.Unmarshal(e.JSON, &r) == nil {
				l.lives[r.Predecessor.Incarnation], l.lives[r.Incarnation] = true, true
			}
		case record.KindKeyRotated:
			var r record.KeyRotated
			if json.Unmarshal(e.JSON, &r) != nil || len(l.keys) == mostKeys {
				return nil
			}
			if old, err := proof.ParseKey(r.OldKey); err == nil && proof.KeyID(old) != proof.KeyID(l.keys[0]) {
				l.keys = append(l.keys, old)
			}
		}
		return nil
	})
}

// mostKeys is how many keys of before are known.
const mostKeys = 64

// agree holds checkpoints that cover no more than the backup against it.
func (l *learner) agree(ctx context.Context) error {
	if len(l.notes) == 0 {
		return nil
	}
	err := l.b.entries(ctx, func(_ []byte, _ record.Entry, t *tree) error {
		if _, wanted := l.roots[t.size]; wanted {
			l.roots[t.size] = t.root().String()
		}
		return nil
	})
	if err != nil {
		return err
	}
	for _, c := range l.notes {
		if c.sign.Size > 0 && l.roots[c.sign.Size] != c.sign.Root.String() {
			return &Fault{Foreign, l.b.name, fmt.Sprintf("its first %d entries are not those that the checkpoint from %s signs: one of the two "+
				"was made of an altered journal", c.sign.Size, l.out[c.at].Where)}
		}
	}
	return nil
}

// missing lists what is known to be lost.
func (l *learner) missing() *record.KnownMissing {
	last := l.head.Entries
	if last <= l.s.Size {
		return nil
	}
	m := &record.KnownMissing{First: l.s.Size + 1, Last: last, Delivered: uint64(len(l.seqs))}
	var seqs []uint64
	for seq := range l.seqs {
		seqs = append(seqs, seq)
	}
	slices.Sort(seqs)
	for _, seq := range seqs {
		if len(m.IDs) < record.MostMissingIDs {
			m.IDs = append(m.IDs, l.seqs[seq])
		} else {
			m.More = true
		}
		if n := len(m.Spans); n > 0 && m.Spans[n-1].Last+1 == seq {
			m.Spans[n-1].Last = seq
		} else if n < record.MostMissingSpans {
			m.Spans = append(m.Spans, record.SequenceSpan{First: seq, Last: seq})
		} else {
			m.More = true
		}
	}
	return m
}
