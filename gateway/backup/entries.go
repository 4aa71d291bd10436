package backup

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math/bits"

	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/record"
	"weighpost/gateway/segment"
)

// Entries gives every entry from 1 on to each, until each returns an error, which Entries returns. When it returns nil, all
// entries were given, and they are those of the checkpoint's tree. The bytes of an entry are good until each returns.
func (b *File) Entries(ctx context.Context, each func(record.Entry) error) error {
	return b.entries(ctx, func(raw []byte, e record.Entry, _ *tree) error { return each(e) })
}

// entries gives each entry with the tree that it is the last leaf of.
func (b *File) entries(ctx context.Context, each func(raw []byte, e record.Entry, t *tree) error) error {
	section, p := b.section(entriesName)
	sum := sha256.New()
	all := io.TeeReader(ctxReader{ctx, section}, sum)
	var t tree
	var stop error // what ends the reading, as it is to be returned
	err := segment.Read(all, 1, func(raw []byte) error {
		if t.size == b.manifest.Entries {
			stop = b.fault(Damaged, "it holds more than the %d entries of its manifest", t.size)
			return stop
		}
		e, err := record.ParseEntry(raw)
		if err != nil || e.Seq != t.size+1 {
			stop = b.fault(Damaged, "what should be entry %d is none (%v)", t.size+1, err)
			return stop
		}
		t.add(tlog.RecordHash(raw))
		stop = each(raw, e, &t)
		return stop
	})
	switch {
	case stop != nil:
		return stop
	case ctx.Err() != nil:
		return ctx.Err()
	case err != nil:
		return b.entriesFault(err)
	}
	if _, err := io.Copy(io.Discard, all); err != nil {
		return b.unreadable(entriesName, err)
	}
	switch {
	case hex.EncodeToString(sum.Sum(nil)) != p.sha256:
		return b.fault(Damaged, "its part %s is not as it was written (SHA-256 differs)", entriesName)
	case t.size != b.manifest.Entries:
		return b.fault(Damaged, "it holds %d entries, and its manifest says %d", t.size, b.manifest.Entries)
	case t.root().String() != b.manifest.Root:
		return b.fault(Damaged, "its entries are not those that were signed (tree hash differs)")
	}
	return nil
}

// entriesFault tells an error of the disk from damage within the part.
func (b *File) entriesFault(err error) error {
	var broken *segment.Fault
	if errors.As(err, &broken) {
		return b.fault(Damaged, "in its part %s, %v", entriesName, broken)
	}
	return fmt.Errorf("the backup %s cannot be read: %w", b.name, err)
}

// tree is the right edge of a Merkle tree as RFC 6962 section 2.1 has it: per level the last complete subtree. It is written
// from the RFC and shares nothing with the journal's own, so that a fault in one shows.
type tree struct {
	size uint64
	at   [64]tlog.Hash
}

func (t *tree) add(leaf tlog.Hash) {
	h := leaf
	for level := range bits.TrailingZeros64(^t.size) {
		h = tlog.NodeHash(t.at[level], h)
	}
	t.at[bits.TrailingZeros64(^t.size)] = h
	t.size++
}

func (t *tree) root() tlog.Hash {
	if t.size == 0 {
		return sha256.Sum256(nil)
	}
	first := bits.TrailingZeros64(t.size)
	h := t.at[first]
	for level := first + 1; level < 64; level++ {
		if t.size>>level&1 == 1 {
			h = tlog.NodeHash(t.at[level], h)
		}
	}
	return h
}
