package journal

import (
	"errors"
	"fmt"
	"strings"

	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/proof"
)

// Held is a checkpoint that somebody kept, and from where it was taken.
type Held struct {
	Where string
	Note  []byte // the signed note
}

// Against has Verify prove that the journal extends checkpoints that were held elsewhere. Their signatures are verified, their
// roots held against the tree that is computed anew from the entries, and the newest of each place also by a consistency proof
// (RFC 6962 section 2.1.2) over the hashes that are stored. One that the journal does not extend is a fault.
func Against(held ...Held) VerifyOption {
	return func(v *verifier) {
		v.held = append(v.held, held...)
		v.roots = map[uint64]tlog.Hash{}
		for _, h := range v.held {
			if c, err := proof.Peek(h.Note); err == nil {
				v.roots[c.Size] = tlog.Hash{}
			}
		}
		v.seen = map[uint64]bool{}
	}
}

// AgainstReport is what the checkpoints of one place showed.
type AgainstReport struct {
	Where       string `json:"where"`
	Checkpoints uint64 `json:"checkpoints"`
	Extended    uint64 `json:"extended"` // of them, those that the journal extends
	Newest      uint64 `json:"newest"`   // entries that the newest of these covers
}

// against is what Verify keeps for checkpoints that were held elsewhere.
type against struct {
	held  []Held
	roots map[uint64]tlog.Hash // of the sizes that are asked for; nil: none
	seen  map[uint64]bool      // and whether the tree was whole when it had that size
}

// keepRoot keeps the root of the tree as it now is, if it is asked for.
func (v *verifier) keepRoot() {
	if _, wanted := v.roots[v.tree.size]; !wanted {
		return
	}
	if root, whole := v.tree.root(); whole {
		v.roots[v.tree.size], v.seen[v.tree.size] = root, true
	}
}

// endAgainst holds the journal against the checkpoints.
func (v *verifier) endAgainst() {
	r := &v.report
	newest := map[string]proof.Checkpoint{}
	at := map[string]int{}
	for _, h := range v.held {
		i, known := at[h.Where]
		if !known {
			i = len(r.Against)
			at[h.Where] = i
			r.Against = append(r.Against, AgainstReport{Where: h.Where})
		}
		one := &r.Against[i]
		one.Checkpoints++
		c, err := v.extends(h)
		if err != nil {
			if lost := (*declaredLoss)(nil); errors.As(err, &lost) {
				r.note("%s: %s", h.Where, lost)
			} else {
				r.fault(0, FaultCheckpoint, "%s: %v", h.Where, err)
			}
			continue
		}
		if one.Extended++; one.Newest <= c.Size {
			one.Newest, newest[h.Where] = c.Size, c
		}
	}
	for where, c := range newest {
		if err := v.consistent(c); err != nil {
			r.fault(0, FaultTree, "%s: the hashes that are stored do not lead from its checkpoint of %d entries to what there is: %v",
				where, c.Size, err)
		}
	}
	r.Elsewhere = r.elsewhere()
}

// declaredLoss is a checkpoint of entries that the journal itself says are missing.
type declaredLoss struct{ what string }

func (d *declaredLoss) Error() string { return d.what }

// extends says whether the journal extends one checkpoint.
func (v *verifier) extends(h Held) (proof.Checkpoint, error) {
	r := &v.report
	c, err := proof.Peek(h.Note)
	if err != nil {
		return c, err
	}
	life := -1
	for i, l := range r.Lives {
		if l.Origin == c.Origin {
			life = i
		}
	}
	if life < 0 {
		return c, fmt.Errorf("its checkpoint is of %q, and this journal is %q: it is none of this journal's, nor of one that it goes on from",
			c.Origin, r.Origin)
	}
	last := r.Entries // of this life in this journal
	if life+1 < len(r.Lives) {
		last = r.Lives[life+1].First - 1
	}
	if err := v.signedInForce(h.Note, min(c.Size, last)); err != nil {
		return c, err
	}
	switch {
	case c.Size < r.Lives[life].First-1:
		return c, fmt.Errorf("its checkpoint of %d entries is of %q, which began with entry %d", c.Size, c.Origin, r.Lives[life].First)
	case c.Size > last && life+1 < len(r.Lives):
		return c, v.beyond(c, r.Lives[life+1], last)
	case c.Size > last:
		return c, fmt.Errorf("%d entries were signed, and the journal ends with entry %d: the last %d are missing. Its end was cut off, or an "+
			"older copy was put back", c.Size, last, c.Size-last)
	case !v.seen[c.Size]:
		return c, fmt.Errorf("its checkpoint of %d entries cannot be held against the journal, in which entries before are missing", c.Size)
	case v.roots[c.Size] != c.Root:
		return c, fmt.Errorf("the first %d entries are not those that were signed: the tree hash was %v, and is %v", c.Size, c.Root, v.roots[c.Size])
	}
	return c, nil
}

// beyond tells of a checkpoint of a life that ended, over more than this journal has of it.
func (v *verifier) beyond(c proof.Checkpoint, next Life, last uint64) error {
	what := fmt.Sprintf("%d entries of %s were signed, and this journal goes on from it after %d: %d are not here", c.Size, c.Origin, last, c.Size-last)
	if known := last + next.Missing; c.Size <= known {
		return &declaredLoss{what + fmt.Sprintf(". Entry %d says that at least %d entries were lost then", next.First, next.Missing)}
	}
	return fmt.Errorf("%s, and entry %d, with which it goes on, does not say so", what, next.First)
}

// signedInForce says whether a note is signed by the key that was in force at a size.
func (v *verifier) signedInForce(signed []byte, size uint64) error {
	key, err := v.keys.at(size)
	if err != nil {
		return err
	}
	_, err = proof.Open(signed, key)
	var not *proof.NotSigned
	if errors.As(err, &not) {
		return fmt.Errorf("its checkpoint is not signed by %s, the key in force at that size, but is said to be by %s", proof.KeyID(key),
			strings.Join(not.By, " and "))
	}
	return err
}

// consistent proves by the stored hashes that the tree extends a checkpoint.
func (v *verifier) consistent(c proof.Checkpoint) error {
	r := &v.report
	now := proof.Checkpoint{Origin: r.Origin, Size: r.Entries}
	root, whole := v.tree.root()
	if now.Root = root; !whole {
		return errors.New("not all entries are there")
	}
	var path []tlog.Hash
	if c.Size > 0 && c.Size < now.Size {
		var err error
		if path, err = tlog.ProveTree(int64(now.Size), int64(c.Size), storedTree{v.db}); err != nil {
			return err
		}
	}
	return proof.Extends(c, now, path)
}

// elsewhere is the line of the report about checkpoints that are held elsewhere.
func (r *Report) elsewhere() string {
	var list []string
	newest := uint64(0)
	for _, a := range r.Against {
		if a.Extended == 0 {
			continue
		}
		newest = max(newest, a.Newest)
		what := fmt.Sprintf("checkpoint of %d entries (%s)", a.Newest, a.Where)
		if a.Extended > 1 {
			what = fmt.Sprintf("%d checkpoints, the newest of %d entries (%s)", a.Extended, a.Newest, a.Where)
		}
		list = append(list, what)
	}
	if len(list) == 0 {
		return "nothing that this journal extends"
	}
	text := strings.Join(list, "; ") + ": this journal extends it"
	if len(list) > 1 {
		text = strings.TrimSuffix(text, "it") + "them"
	}
	if rest := r.Entries - newest; rest > 0 {
		return text + fmt.Sprintf("; the last %d entries came after", rest)
	}
	return text
}
