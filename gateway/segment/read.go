package segment

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"sort"
)

// Reader gives the entries of a file one after the other. It holds one of them in memory. It is not for several goroutines.
type Reader struct {
	l   *lines
	seq uint64 // of the next entry
	err error
}

// NewReader reads a file from its start. first is the sequence of its first entry: faults are named by it.
func NewReader(r io.Reader, first uint64) *Reader {
	x := &Reader{seq: first}
	gz, err := gzip.NewReader(r)
	if err != nil {
		x.err = &Fault{first, err}
		return x
	}
	x.l = newLines(gz)
	return x
}

// Next gives the bytes of the next entry, good until the next call, io.EOF after the last, or a *Fault.
//
// A file may unpack to far more than it is long, so whoever reads should look at every entry and end at the first that is not
// the one that was expected.
func (x *Reader) Next() ([]byte, error) {
	if x.err != nil {
		return nil, x.err
	}
	raw, err := x.l.next()
	switch {
	case err == io.EOF:
		x.err = io.EOF
	case err != nil:
		x.err = &Fault{x.seq, err}
	}
	if x.err != nil {
		return nil, x.err
	}
	x.seq++
	return raw, nil
}

// Read gives each entry of a file to each, from the first, until each returns an error, which Read returns as it is. The bytes
// are good until each returns. See Next.
func Read(r io.Reader, first uint64, each func(raw []byte) error) error {
	x := NewReader(r, first)
	for {
		raw, err := x.Next()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		if err := each(raw); err != nil {
			return err
		}
	}
}

// From reads a file from the entry after a sequence on, beginning with the member that holds it. Past the end, Next gives
// io.EOF at once.
func (ix *Index) From(r io.ReaderAt, after uint64) (*Reader, error) {
	if err := ix.Check(); err != nil {
		return nil, err
	}
	if after >= ix.Last {
		return &Reader{seq: ix.Last + 1, err: io.EOF}, nil
	}
	at := ix.holds(max(after+1, ix.First))
	m := ix.Members[at]
	x := NewReader(bufio.NewReader(io.NewSectionReader(r, m.Offset, ix.Bytes-m.Offset)), m.First)
	for x.seq <= after {
		if _, err := x.Next(); err == io.EOF {
			return nil, &Fault{x.seq, io.ErrUnexpectedEOF}
		} else if err != nil {
			return nil, err
		}
	}
	return x, nil
}

// holds gives the place of the member that holds an entry of the file.
func (ix *Index) holds(seq uint64) int {
	return sort.Search(len(ix.Members), func(i int) bool { return ix.Members[i].First > seq }) - 1
}

// Around gives the first and the last entry of the member that holds an entry of the file: where it is damaged, none after
// that entry can be read up to the last.
func (ix *Index) Around(seq uint64) (first, last uint64) {
	at := ix.holds(seq)
	if at < 0 {
		return ix.First, ix.Last
	}
	if at+1 < len(ix.Members) {
		return ix.Members[at].First, ix.Members[at+1].First - 1
	}
	return ix.Members[at].First, ix.Last
}

// ReadAt gives up to max entries after a sequence, and fewer only at the end of the file. The bytes are the caller's.
func ReadAt(r io.ReaderAt, ix Index, after uint64, max int) ([][]byte, error) {
	x, err := ix.From(r, after)
	if err != nil {
		return nil, err
	}
	var entries [][]byte
	for len(entries) < max && x.seq <= ix.Last {
		raw, err := x.Next()
		if err == io.EOF && x.seq <= ix.Last {
			err = &Fault{x.seq, io.ErrUnexpectedEOF}
		}
		if err != nil {
			return nil, err
		}
		entries = append(entries, bytes.Clone(raw))
	}
	return entries, nil
}

// Fault is what is wrong with a segment's bytes.
type Fault struct {
	Seq uint64 // the first entry that could not be read
	Err error
}

func (f *Fault) Error() string {
	what := f.Err.Error()
	switch {
	case errors.Is(f.Err, io.ErrUnexpectedEOF), errors.Is(f.Err, io.EOF):
		what = "the file ends too early"
	case errors.Is(f.Err, gzip.ErrHeader):
		what = "what follows is not gzip"
	case errors.Is(f.Err, gzip.ErrChecksum):
		what = "the file's own sum (CRC-32) does not agree with its bytes"
	}
	return fmt.Sprintf("from entry %d on it cannot be read: %s", f.Seq, what)
}

func (f *Fault) Unwrap() error { return f.Err }

// lines cuts a stream into lines of bounded length.
type lines struct {
	r    *bufio.Reader
	long []byte // a line that does not fit into the reader's own memory
}

const lineBuffer = 32 << 10

func newLines(r io.Reader) *lines { return &lines{r: bufio.NewReaderSize(r, lineBuffer)} }

// next gives the next line without its line feed, good until the next call, or io.EOF after the last.
func (l *lines) next() ([]byte, error) {
	part, err := l.r.ReadSlice('\n')
	if err == nil {
		return whole(part)
	}
	l.long = append(l.long[:0], part...)
	for errors.Is(err, bufio.ErrBufferFull) {
		if len(l.long) > MaxEntry {
			return nil, fmt.Errorf("a line is longer than %d bytes", MaxEntry)
		}
		part, err = l.r.ReadSlice('\n')
		l.long = append(l.long, part...)
	}
	switch {
	case len(l.long) > MaxEntry+1:
		return nil, fmt.Errorf("a line is longer than %d bytes", MaxEntry)
	case err == nil:
		return whole(l.long)
	case err == io.EOF && len(l.long) == 0:
		return nil, io.EOF
	case err == io.EOF:
		return nil, errors.New("the last line does not end")
	}
	return nil, err
}

func whole(line []byte) ([]byte, error) {
	if len(line) == 1 {
		return nil, errors.New("a line is empty")
	}
	return line[:len(line)-1], nil
}
