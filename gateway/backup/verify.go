package backup

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"weighpost/gateway/journal"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// maxBalances is how many balances the entries of one backup may be about.
const maxBalances = 1 << 16

// Verify reads all of a backup and holds everything in it against everything else: each byte against the sums, the entries
// against the checkpoint's tree, the checkpoint's signature against a key, the snapshot against the entries. key is the text
// of the public key that is trusted; "" takes the one that the backup brings along, which shows that it is whole and not who
// wrote it. A key of before is followed through the entries in which it vouches for the next. progress may be nil.
func (b *File) Verify(ctx context.Context, key string, progress func(done, total uint64)) error {
	s, err := b.Snapshot()
	if err != nil {
		return err
	}
	chain, err := b.trust(key)
	if err != nil {
		return err
	}
	seen := &seen{b: b, s: &s, numbers: map[string]uint64{}, roots: map[uint64]string{}, kept: keptNames{}, chain: chain, progress: progress}
	if err := seen.checkpoints(); err != nil {
		return err
	}
	if err := b.entries(ctx, seen.entry); err != nil {
		return err
	}
	if err := seen.finish(); err != nil {
		return err
	}
	if err := b.holdKept(seen.kept); err != nil {
		return err
	}
	return b.rest(ctx)
}

// trust gives the key from which the chain of keys begins.
func (b *File) trust(key string) (note.Verifier, error) {
	own, err := b.PublicKey()
	if err != nil {
		return nil, err
	}
	if _, err := proof.ParseKey(own); err != nil {
		return nil, b.fault(Damaged, "its key.pub holds no public key of a journal")
	}
	if key == "" {
		key = own
	}
	trusted, err := proof.ParseKey(key)
	if err != nil {
		return nil, fmt.Errorf("the key to verify the backup with: %w", err)
	}
	return trusted, nil
}

// seen is what a pass over the entries gathers.
type seen struct {
	b        *File
	s        *journal.Snapshot
	numbers  map[string]uint64 // balance → number, in the present incarnation
	roots    map[uint64]string // what older checkpoints say, by size
	chain    note.Verifier     // the trusted key as of this entry
	kept     keptNames
	progress func(done, total uint64)
}

// checkpoints reads the older checkpoints. Who signed them does not matter: the newest covers what they cover.
func (x *seen) checkpoints() error {
	for _, c := range x.s.Checkpoints {
		at, err := proof.Peek(c.Note)
		if err != nil || at.Size != c.Size || c.Size > x.s.Size {
			return x.b.fault(Damaged, "a checkpoint in its snapshot.json, of %d entries, is none", c.Size)
		}
		x.roots[c.Size] = at.Root.String()
	}
	return x.root(&tree{})
}

func (x *seen) entry(_ []byte, e record.Entry, t *tree) error {
	if e.Kind.Numbered() {
		if err := x.number(e); err != nil {
			return err
		}
	}
	if e.Kind == record.KindKeyRotated {
		x.follow(e)
	}
	if err := x.kept.take(e); err != nil {
		return x.b.fault(Damaged, "%v", err)
	}
	if x.progress != nil && (t.size%5000 == 0 || t.size == x.s.Size) {
		x.progress(t.size, x.s.Size)
	}
	return x.root(t)
}

// number takes the number of a weighing.
func (x *seen) number(e record.Entry) error {
	part := strings.Split(e.ID, "/")
	if len(part) != 4 {
		return x.b.fault(Damaged, "the id %.80q of entry %d has not the form site/incarnation/balance/number", e.ID, e.Seq)
	}
	if part[1] != x.s.Incarnation {
		return nil
	}
	n, err := strconv.ParseUint(part[3], 10, 64)
	if err != nil || n != x.numbers[part[2]]+1 {
		return x.b.fault(Damaged, "the id %.80q of entry %d does not follow number %d of that balance", e.ID, e.Seq, x.numbers[part[2]])
	}
	if x.numbers[part[2]] = n; len(x.numbers) > maxBalances {
		return x.b.fault(Damaged, "its entries are about more than %d balances", maxBalances)
	}
	return nil
}

// follow goes on to the next key where the trusted one vouches for it. Where it does not, the last checkpoint will not be
// signed by a trusted key.
func (x *seen) follow(e record.Entry) {
	var k record.KeyRotated
	if json.Unmarshal(e.JSON, &k) != nil || k.Note == "" {
		return
	}
	next, err := proof.OpenVouch([]byte(k.Note), x.chain)
	if err != nil || next != k.NewKey {
		return
	}
	if key, err := proof.ParseKey(next); err == nil {
		x.chain = key
	}
}

// root holds a checkpoint of this size, if there is one, against the tree.
func (x *seen) root(t *tree) error {
	want, has := x.roots[t.size]
	if has && want != t.root().String() {
		return x.b.fault(Damaged, "its first %d entries are not those of a checkpoint in its snapshot.json", t.size)
	}
	return nil
}

// finish holds the last checkpoint and the snapshot against what the entries showed.
func (x *seen) finish() error {
	m := &x.b.manifest
	at, err := proof.Open([]byte(m.Checkpoint), x.chain)
	var other *proof.NotSigned
	switch {
	case errors.As(err, &other):
		return x.b.fault(Foreign, "its checkpoint is signed by %s, and not by %s or a key that it vouches for", strings.Join(other.By, " and "),
			proof.KeyID(x.chain))
	case err != nil:
		return x.b.fault(Damaged, "its checkpoint cannot be accepted: %v", err)
	case at.Size != m.Entries || at.Root.String() != m.Root || at.Origin != m.Origin:
		return x.b.fault(Damaged, "its checkpoint is not that of its %d entries", m.Entries)
	}
	return x.state()
}

// state holds the numbers, cursors and parked entries of the snapshot against the entries.
func (x *seen) state() error {
	for balance, n := range x.numbers {
		if x.s.Numbers[balance] != n {
			return x.b.fault(Damaged, "its snapshot.json says %d for the last number of balance %.70q, and the entries %d", x.s.Numbers[balance], balance, n)
		}
	}
	if len(x.s.Numbers) != len(x.numbers) {
		return x.b.fault(Damaged, "its snapshot.json has numbers of %d balances, and the entries of %d", len(x.s.Numbers), len(x.numbers))
	}
	for name, seq := range x.s.Cursors {
		if seq > x.s.Size {
			return x.b.fault(Damaged, "in its snapshot.json the cursor of %.70q is at %d, after its last entry", name, seq)
		}
	}
	for _, p := range x.s.Parked {
		if p.Entry < 1 || p.Notice <= p.Entry || p.Notice > x.s.Size {
			return x.b.fault(Damaged, "in its snapshot.json an entry %d is parked for %.70q by entry %d, which cannot be", p.Entry, p.Cursor, p.Notice)
		}
	}
	return nil
}

// rest holds the parts that nothing above has read against their sums, and what fills up the large ones.
func (b *File) rest(ctx context.Context) error {
	for _, p := range b.manifest.Parts {
		section, at := b.section(p.Name)
		if p.Name != entriesName {
			sum := sha256.New()
			if _, err := io.Copy(sum, ctxReader{ctx, section}); err != nil {
				return b.unreadable(p.Name, err)
			}
			if hex.EncodeToString(sum.Sum(nil)) != p.SHA256 {
				return b.fault(Damaged, "its part %s is not as it was written (SHA-256 differs)", p.Name)
			}
		}
		fill := make([]byte, padded(at.size)-at.size)
		if _, err := b.f.ReadAt(fill, at.off+at.size); err != nil && len(fill) > 0 {
			return b.unreadable(p.Name, err)
		}
		if len(bytes.Trim(fill, "\x00")) > 0 {
			return b.fault(Damaged, "what fills up its part %s is not empty", p.Name)
		}
	}
	return nil
}

// SHA256 is the sum of the whole file.
func (b *File) SHA256(ctx context.Context) (string, error) {
	sum := sha256.New()
	if _, err := io.Copy(sum, ctxReader{ctx, io.NewSectionReader(b.f, 0, b.size)}); err != nil {
		return "", fmt.Errorf("the backup %s cannot be read: %w", b.name, err)
	}
	return hex.EncodeToString(sum.Sum(nil)), nil
}
