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

// Read gives each entry of a file to each, from the first, until each returns an error, which Read returns as it is. first
// is the sequence of the first entry: faults are named by it. The bytes are good until each returns.
//
// It holds one entry in memory. A file may unpack to far more than it is long, so each should look at every entry and end the
// reading at the first that is not the one that it expects.
func Read(r io.Reader, first uint64, each func(raw []byte) error) error {
	gz, err := gzip.NewReader(r)
	if err != nil {
		return fault(first, err)
	}
	l := newLines(gz)
	for seq := first; ; seq++ {
		raw, err := l.next()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return fault(seq, err)
		}
		if err := each(raw); err != nil {
			return err
		}
	}
}

// ReadAt gives up to max entries after a sequence, and fewer only at the end of the file. The bytes are the caller's. It
// unpacks from the member on that holds the first of them, and no member to more entries than the index gives it.
func ReadAt(r io.ReaderAt, ix Index, after uint64, max int) ([][]byte, error) {
	if err := ix.Check(); err != nil {
		return nil, err
	}
	from := ix.First
	if after >= from {
		from = after + 1
	}
	if after >= ix.Last || max < 1 {
		return nil, nil
	}
	last := ix.Last
	if uint64(max) <= last-from {
		last = from + uint64(max) - 1
	}
	at := sort.Search(len(ix.Members), func(i int) bool { return ix.Members[i].First > from }) - 1
	var entries [][]byte
	for ; at < len(ix.Members) && ix.Members[at].First <= last; at++ {
		err := ix.member(r, at, func(seq uint64, raw []byte) bool {
			if seq >= from && seq <= last {
				entries = append(entries, bytes.Clone(raw))
			}
			return seq < last
		})
		if err != nil {
			return nil, err
		}
	}
	return entries, nil
}

// member reads the entries of one member until each has had enough.
func (ix *Index) member(r io.ReaderAt, at int, each func(seq uint64, raw []byte) bool) error {
	m, end, last := ix.Members[at], ix.Bytes, ix.Last
	if at+1 < len(ix.Members) {
		end, last = ix.Members[at+1].Offset, ix.Members[at+1].First-1
	}
	gz, err := gzip.NewReader(bufio.NewReader(io.NewSectionReader(r, m.Offset, end-m.Offset)))
	if err != nil {
		return fault(m.First, err)
	}
	l := newLines(gz)
	for seq := m.First; seq <= last; seq++ {
		raw, err := l.next()
		if err == io.EOF {
			err = io.ErrUnexpectedEOF
		}
		if err != nil {
			return fault(seq, err)
		}
		if !each(seq, raw) {
			return nil
		}
	}
	if _, err := l.next(); err != io.EOF {
		return fault(last+1, errors.Join(errors.New("more follows than the index says"), err))
	}
	return nil
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

func fault(seq uint64, err error) error { return &Fault{seq, err} }

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
