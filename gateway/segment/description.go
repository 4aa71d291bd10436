package segment

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/record"
)

// Schema is the form of a description.
const Schema = "weighpost.segment/1"

// MaxDescription bounds the file of a description, in bytes.
const MaxDescription = 16 << 20

// Description lies beside a segment and ties it to a signed checkpoint: whoever has both files and the public key can tell that
// these entries, all of them and in this order, are entries First to Last of the journal that the checkpoint is of.
type Description struct {
	Schema string `json:"schema"`
	File   string `json:"file"` // the segment's name
	Index
	Site         string   `json:"site"`
	Incarnations []string `json:"incarnations"` // in the ids of the entries, in order
	Tree         Range    `json:"tree"`
	// Checkpoint is a signed note (C2SP tlog-checkpoint) over Tree.Size entries.
	Checkpoint string `json:"checkpoint"`
}

// Range places a span of entries in a tree (RFC 6962 section 2.1).
type Range struct {
	Size uint64 `json:"size"` // entries in the tree
	// Subtrees are the largest complete subtrees that hold nothing but entries of the span, from left to right.
	Subtrees []Subtree `json:"subtrees"`
	// Beside are the hashes of the largest subtrees that hold no entry of the span, from left to right. With the others they
	// give the tree's root.
	Beside []tlog.Hash `json:"beside"`
}

// Subtree is a complete subtree: Entries is a power of two, and First-1 a multiple of it.
type Subtree struct {
	First   uint64    `json:"first"`
	Entries uint64    `json:"entries"`
	Hash    tlog.Hash `json:"hash"` // base64
}

// Encode writes a description as the file has it.
func (d *Description) Encode() ([]byte, error) {
	b, err := json.MarshalIndent(d, "", " ")
	return append(b, '\n'), err
}

// ParseDescription reads what Encode wrote.
func ParseDescription(b []byte) (Description, error) {
	var d Description
	if len(b) > MaxDescription {
		return d, fmt.Errorf("the description of a segment has more than %d bytes", MaxDescription)
	}
	if err := json.Unmarshal(b, &d); err != nil {
		return d, fmt.Errorf("the description of a segment cannot be read: %w", err)
	}
	if d.Schema != Schema {
		return d, fmt.Errorf("it is no description of a segment: its schema is %.60q and not %s", d.Schema, Schema)
	}
	if err := d.Check(); err != nil {
		return d, err
	}
	if d.Last < d.First || d.Tree.Size < d.Last || d.Tree.Size >= 1<<62 {
		return d, fmt.Errorf("the description says that entries %d to %d are in a tree of %d", d.First, d.Last, d.Tree.Size)
	}
	return d, nil
}

// cover gathers the largest complete subtrees of consecutive leaves.
type cover struct{ nodes []Subtree }

// add appends the leaf of the entry with a sequence.
func (c *cover) add(seq uint64, leaf tlog.Hash) {
	c.nodes = append(c.nodes, Subtree{seq, 1, leaf})
	for n := len(c.nodes); n > 1; n = len(c.nodes) {
		a, b := c.nodes[n-2], c.nodes[n-1]
		if a.Entries != b.Entries || (a.First-1)%(2*a.Entries) != 0 {
			return
		}
		c.nodes = append(c.nodes[:n-2], Subtree{a.First, 2 * a.Entries, tlog.NodeHash(a.Hash, b.Hash)})
	}
}

// split is where RFC 6962 section 2.1 divides a tree of n leaves, n > 1: the largest power of two smaller than n.
func split(n uint64) uint64 {
	k := uint64(1)
	for k<<1 < n {
		k <<= 1
	}
	return k
}

// nodes asks for the hash of the subtree of leaves lo to hi (from 0, without hi) of a tree. One that lies beside the span is
// asked of beside, a complete one of the span of inside, and all others are computed from those.
type nodes struct {
	first, last    uint64 // the span, as sequences
	inside, beside func(lo, hi uint64) (tlog.Hash, error)
}

func (x *nodes) hash(lo, hi uint64) (tlog.Hash, error) {
	n := hi - lo
	if hi < x.first || lo >= x.last {
		return x.beside(lo, hi)
	}
	if lo+1 >= x.first && hi <= x.last && n&(n-1) == 0 {
		return x.inside(lo, hi)
	}
	k := split(n)
	left, err := x.hash(lo, lo+k)
	if err != nil {
		return left, err
	}
	right, err := x.hash(lo+k, hi)
	return tlog.NodeHash(left, right), err
}

// Root computes the root of the tree from the hashes of a range, each of which must be used.
func (r *Range) Root(first, last uint64) (tlog.Hash, error) {
	subtrees, beside := r.Subtrees, r.Beside
	if first < 1 || last < first || r.Size < last {
		return tlog.Hash{}, fmt.Errorf("entries %d to %d are not in a tree of %d", first, last, r.Size)
	}
	x := nodes{first: first, last: last}
	x.inside = func(lo, hi uint64) (h tlog.Hash, err error) {
		if len(subtrees) == 0 || subtrees[0].First != lo+1 || subtrees[0].Entries != hi-lo {
			return h, fmt.Errorf("the hash of entries %d to %d is missing", lo+1, hi)
		}
		h, subtrees = subtrees[0].Hash, subtrees[1:]
		return h, nil
	}
	x.beside = func(lo, hi uint64) (h tlog.Hash, err error) {
		if len(beside) == 0 {
			return h, fmt.Errorf("the hash of entries %d to %d is missing", lo+1, hi)
		}
		h, beside = beside[0], beside[1:]
		return h, nil
	}
	root, err := x.hash(0, r.Size)
	if err == nil && len(subtrees)+len(beside) > 0 {
		err = errors.New("there are more hashes than the tree has use for")
	}
	return root, err
}

// NewRange places a span of entries in a tree. read gives hashes of complete subtrees, as tlog.HashReader has it.
func NewRange(first, last, size uint64, read tlog.HashReader) (Range, error) {
	r := Range{Size: size, Subtrees: []Subtree{}, Beside: []tlog.Hash{}}
	if first < 1 || last < first || size < last {
		return r, fmt.Errorf("entries %d to %d are not in a tree of %d", first, last, size)
	}
	x := nodes{first: first, last: last}
	x.inside = func(lo, hi uint64) (tlog.Hash, error) {
		h, err := subtree(lo, hi, read)
		r.Subtrees = append(r.Subtrees, Subtree{lo + 1, hi - lo, h})
		return h, err
	}
	x.beside = func(lo, hi uint64) (tlog.Hash, error) {
		h, err := subtree(lo, hi, read)
		r.Beside = append(r.Beside, h)
		return h, err
	}
	_, err := x.hash(0, size)
	return r, err
}

// subtree gives the hash of leaves lo to hi, which are a subtree of some tree, from those of complete subtrees.
func subtree(lo, hi uint64, read tlog.HashReader) (tlog.Hash, error) {
	if n := hi - lo; n&(n-1) == 0 {
		level := 0
		for 1<<level < n {
			level++
		}
		got, err := read.ReadHashes([]int64{tlog.StoredHashIndex(level, int64(lo>>level))})
		if err != nil || len(got) != 1 {
			return tlog.Hash{}, fmt.Errorf("the hash of entries %d to %d cannot be had: %w", lo+1, hi, err)
		}
		return got[0], nil
	}
	k := split(hi - lo)
	left, err := subtree(lo, lo+k, read)
	if err != nil {
		return left, err
	}
	right, err := subtree(lo+k, hi, read)
	return tlog.NodeHash(left, right), err
}

// Verify reads a segment and holds it against its description, and that against the size and root of a checkpoint. The
// checkpoint's signature is the caller's to verify, and that it is of the right journal.
func (d *Description) Verify(r io.Reader, size uint64, root tlog.Hash) error {
	if d.Tree.Size != size {
		return fmt.Errorf("the description places the entries in a tree of %d, and the checkpoint is of %d", d.Tree.Size, size)
	}
	count := &tally{sum: sha256.New()}
	x := NewReader(io.TeeReader(r, count), d.First)
	var c cover
	for seq := d.First; ; seq++ {
		raw, err := x.Next()
		if err == io.EOF && seq == d.Last+1 {
			break
		}
		if err == io.EOF {
			err = &Fault{seq, io.ErrUnexpectedEOF}
		}
		if err != nil {
			return err
		}
		e, err := record.ParseEntry(raw)
		if err != nil || e.Seq != seq || seq > d.Last {
			return fmt.Errorf("where entry %d belongs, there is another: %w", seq, errors.Join(err, errors.New("the file holds other entries than its description says")))
		}
		c.add(seq, tlog.RecordHash(raw))
	}
	if sum := hex.EncodeToString(count.sum.Sum(nil)); sum != d.SHA256 || count.n != d.Bytes {
		return fmt.Errorf("the file has %d bytes with the SHA-256 %s, and its description says %d and %s", count.n, sum, d.Bytes, d.SHA256)
	}
	have := d.Tree
	have.Subtrees = c.nodes
	got, err := have.Root(d.First, d.Last)
	if err != nil {
		return fmt.Errorf("the description does not place the entries in the tree: %w", err)
	}
	if got != root {
		return fmt.Errorf("these are not entries %d to %d of the journal that was signed: with them the tree hash is %v, and the checkpoint "+
			"says %v", d.First, d.Last, got, root)
	}
	if !sameNodes(c.nodes, d.Tree.Subtrees) {
		return errors.New("the hashes of the entries are not those in the description")
	}
	return nil
}

func sameNodes(a, b []Subtree) bool {
	x, errX := json.Marshal(a)
	y, errY := json.Marshal(b)
	return errX == nil && errY == nil && bytes.Equal(x, y)
}
