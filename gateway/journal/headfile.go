package journal

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"fmt"

	"golang.org/x/mod/sumdb/tlog"
)

// The head file says what was last acknowledged: a journal that has less is damaged. It has two slots, written in turn and
// each in a block of its own, so that a write that is cut short leaves the other slot whole.
//
// A slot, all numbers big-endian: magic (8 bytes), generation (8), sequence (8), root (32), incarnation (16, padded with
// zeros), SHA-256 of all that (32). The valid slot of the higher generation counts.
const (
	headName  = "head"
	headBlock = 4096 // as far apart as the largest sector in use
	headSlot  = 8 + 8 + 8 + 32 + 16 + 32
)

var headMagic = []byte("wphead/1")

type headState struct {
	generation  uint64
	seq         uint64
	root        tlog.Hash
	incarnation string
}

func (h headState) encode() []byte {
	b := make([]byte, 0, headSlot)
	b = append(b, headMagic...)
	b = binary.BigEndian.AppendUint64(b, h.generation)
	b = binary.BigEndian.AppendUint64(b, h.seq)
	b = append(b, h.root[:]...)
	b = append(b, h.incarnation...)
	b = append(b, make([]byte, headSlot-32-len(b))...)
	sum := sha256.Sum256(b)
	return append(b, sum[:]...)
}

func decodeSlot(b []byte) (headState, bool) {
	if len(b) < headSlot || !bytes.HasPrefix(b, headMagic) {
		return headState{}, false
	}
	sum := sha256.Sum256(b[:headSlot-32])
	if !bytes.Equal(sum[:], b[headSlot-32:headSlot]) {
		return headState{}, false
	}
	h := headState{generation: binary.BigEndian.Uint64(b[8:]), seq: binary.BigEndian.Uint64(b[16:])}
	copy(h.root[:], b[24:56])
	h.incarnation = string(bytes.TrimRight(b[56:72], "\x00"))
	return h, true
}

// decodeHead gives the newer of the two slots.
func decodeHead(file []byte) (headState, error) {
	var best headState
	found := false
	for off := 0; off+headSlot <= len(file) && off <= headBlock; off += headBlock {
		if h, ok := decodeSlot(file[off:]); ok && (!found || h.generation > best.generation) {
			best, found = h, true
		}
	}
	if !found {
		return headState{}, fmt.Errorf("neither of its two slots can be read")
	}
	return best, nil
}

// headImage is a whole head file, both slots alike but for the generation.
func headImage(h headState) []byte {
	image := make([]byte, 2*headBlock)
	h.generation = 2
	copy(image, h.encode())
	h.generation = 1
	copy(image[headBlock:], h.encode())
	return image
}

// headFile is the open head file of the one writer.
type headFile struct {
	file diskFile
	last headState
}

// write puts a new head into the slot that holds the older one, and syncs.
func (f *headFile) write(seq uint64, root tlog.Hash) error {
	next := headState{generation: f.last.generation + 1, seq: seq, root: root, incarnation: f.last.incarnation}
	off := int64(next.generation%2) * headBlock
	if _, err := f.file.WriteAt(next.encode(), off); err != nil {
		return fmt.Errorf("writing the head file: %w", err)
	}
	if err := f.file.Sync(); err != nil {
		return fmt.Errorf("syncing the head file: %w", err)
	}
	f.last = next
	return nil
}

// settle writes both slots anew. After a write or a sync failed nobody knows what either slot holds on the disk.
func (f *headFile) settle(seq uint64, root tlog.Hash) error {
	f.last.generation += 2 // past what a failed write may have left behind
	for range 2 {
		if err := f.write(seq, root); err != nil {
			return err
		}
	}
	return nil
}
