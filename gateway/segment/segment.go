// Package segment is the form in which entries leave the journal's working file: NDJSON in gzip, so that any computer reads
// it, now and in thirty years, with nothing of weighpost at hand.
//
//	zcat 000000000001-000000100000.ndjson.gz | head -1
//	sha256sum 000000000001-000000100000.ndjson.gz
//
// It owns the bytes of such a file, their index, and the description that lies beside it and ties it to a signed checkpoint
// (description.go). It knows no disk and no clock.
//
// # The form
//
// A file is a sequence of gzip members (RFC 1952 section 2.2), each with up to a thousand entries or a mebibyte of them,
// whichever is less. Unpacked, each entry is exactly the bytes that the journal hashed, followed by one line feed. An entry
// never holds a line feed. Members let a reader begin in the middle: an Index says at which byte each begins, and with which
// entry. Who has no index reads from the start.
//
// What is read is hostile: a line is bounded, a member is bounded by what its index says, and whoever reads decides after each
// line whether to go on.
package segment

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
)

// MaxEntry bounds one entry, in bytes: what is longer is neither written nor read.
const MaxEntry = 32 << 20

// What closes a gzip member.
const (
	memberEntries = 1000
	memberBytes   = 1 << 20
)

// Index says what a file holds and where. It can be made again by reading the file.
type Index struct {
	First   uint64   `json:"first"`   // sequence of the first entry
	Last    uint64   `json:"last"`    // of the last; First-1 where there is none
	Bytes   int64    `json:"bytes"`   // of the file
	SHA256  string   `json:"sha256"`  // of the file, hexadecimal, as sha256sum prints it
	Members []Member `json:"members"` // in order; none where there is no entry
}

// Member is one gzip member.
type Member struct {
	First  uint64 `json:"first"`  // sequence of its first entry
	Offset int64  `json:"offset"` // of its first byte in the file
}

// Check says why an index cannot be one, or nil. It does not look at the file.
func (ix *Index) Check() error {
	switch {
	case ix.First == 0:
		return errors.New("the index says that the first entry is 0: entries count from 1")
	case ix.Last+1 < ix.First || ix.Last == ^uint64(0):
		return fmt.Errorf("the index says that entries %d to %d are there", ix.First, ix.Last)
	case len(ix.SHA256) != 2*sha256.Size:
		return errors.New("the index holds no SHA-256 of the file")
	case ix.Last+1 == ix.First:
		if len(ix.Members) > 0 {
			return errors.New("the index has members and no entries")
		}
		return nil
	case len(ix.Members) == 0 || ix.Members[0] != Member{ix.First, 0}:
		return fmt.Errorf("the index does not begin with entry %d at byte 0", ix.First)
	}
	for i, m := range ix.Members[1:] {
		if before := ix.Members[i]; m.First <= before.First || m.Offset <= before.Offset {
			return fmt.Errorf("the index is out of order at entry %d", m.First)
		}
	}
	if end := ix.Members[len(ix.Members)-1]; end.First > ix.Last || end.Offset >= ix.Bytes {
		return fmt.Errorf("the index goes past its end, to entry %d at byte %d", end.First, end.Offset)
	}
	return nil
}

// Writer writes the entries of a file, in order. It is not for several goroutines.
type Writer struct {
	w       io.Writer
	sum     hash.Hash
	gz      *gzip.Writer
	ix      Index
	entries int // in the open member
	bytes   int
	open    bool
	err     error // the first, which all that follows repeats
}

// NewWriter begins a file whose first entry has the sequence first. What it writes depends on the entries alone: the same
// entries are the same file.
func NewWriter(w io.Writer, first uint64) *Writer {
	x := &Writer{sum: sha256.New(), ix: Index{First: first, Last: first - 1, Members: []Member{}}}
	x.w = io.MultiWriter(&counter{w, &x.ix.Bytes}, x.sum)
	x.gz = gzip.NewWriter(x.w)
	return x
}

// Add writes the next entry: exact bytes of one JSON object, without a line feed, of at most MaxEntry.
func (x *Writer) Add(raw []byte) error {
	seq := x.ix.Last + 1
	switch {
	case x.err != nil:
		return x.err
	case len(raw) == 0:
		return fmt.Errorf("entry %d is empty and cannot be written to a segment", seq)
	case len(raw) > MaxEntry:
		return fmt.Errorf("entry %d has %d bytes: a segment takes up to %d", seq, len(raw), MaxEntry)
	case bytes.IndexByte(raw, '\n') >= 0:
		return fmt.Errorf("entry %d holds a line feed and cannot be written to a segment: it would be two lines", seq)
	}
	if x.open && (x.entries >= memberEntries || x.bytes+len(raw) > memberBytes) {
		if x.err = x.endMember(); x.err != nil {
			return x.err
		}
	}
	if !x.open {
		x.ix.Members = append(x.ix.Members, Member{First: seq, Offset: x.ix.Bytes})
		x.gz.Reset(x.w)
		x.open, x.entries, x.bytes = true, 0, 0
	}
	if _, x.err = x.gz.Write(raw); x.err == nil {
		_, x.err = x.gz.Write([]byte{'\n'})
	}
	if x.err == nil {
		x.ix.Last, x.entries, x.bytes = seq, x.entries+1, x.bytes+len(raw)+1
	}
	return x.err
}

func (x *Writer) endMember() error {
	x.open = false
	return x.gz.Close()
}

// Close ends the file and gives its index. A file without an entry is one empty gzip member. It does not close what is below.
func (x *Writer) Close() (Index, error) {
	if x.err == nil && (x.open || len(x.ix.Members) == 0) {
		x.err = x.endMember()
	}
	if x.err != nil {
		return Index{}, x.err
	}
	x.ix.SHA256 = hex.EncodeToString(x.sum.Sum(nil))
	x.err = errors.New("the segment is closed")
	return x.ix, nil
}

// tally hashes and counts what it is given.
type tally struct {
	sum hash.Hash
	n   int64
}

func (t *tally) Write(p []byte) (int, error) {
	t.n += int64(len(p))
	return t.sum.Write(p)
}

// counter counts the bytes that pass.
type counter struct {
	w io.Writer
	n *int64
}

func (c *counter) Write(p []byte) (int, error) {
	n, err := c.w.Write(p)
	*c.n += int64(n)
	return n, err
}
