package files

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path"
	"strings"

	"weighpost/sinks"
	"weighpost/sinks/folder"
)

// maxRow is the longest row that is read back, in bytes; an entry is far shorter.
const maxRow = folder.MaxRow

// kind is how a file of lines is built: how a row ends, and what it has to look like.
type kind struct {
	head func() []byte                     // what opens a file
	end  func([]byte) int                  // length of the first row with its line end, 0 when there is no end
	id   func(row []byte) (string, error)  // the id in a row, or why it is none of ours
	line string                            // the end of a row
	skip func(row []byte, first bool) bool // whether the row is no entry
}

func (s *Sink) kind(name string) kind {
	if strings.HasPrefix(name, checkpointFolder+"/") {
		return kind{
			head: func() []byte { return nil },
			end:  func(b []byte) int { return bytes.IndexByte(b, '\n') + 1 },
			id:   jsonID,
			line: "\n",
			skip: func([]byte, bool) bool { return false },
		}
	}
	head := s.rows.Head()
	return kind{
		head: s.rows.Head,
		end:  s.rows.EndOfRow,
		id:   s.rows.ID,
		line: s.rows.LineEnd(),
		skip: func(row []byte, first bool) bool { return first && len(head) > 0 && bytes.Equal(row, head) },
	}
}

func jsonID(row []byte) (string, error) {
	var e struct{ ID string }
	if err := json.Unmarshal(row, &e); err != nil {
		return "", err
	}
	if e.ID == "" {
		return "", fmt.Errorf("it has no id")
	}
	return e.ID, nil
}

// mend reads a file through, remembers the ids in it, and removes a last row that a crash cut off. A last row that lacks only
// its line end, as an editor leaves it, gets it. Anything else that is not as this sink writes it stops the sink: the file may
// be somebody's work.
func (s *Sink) mend(name string, f *os.File, info os.FileInfo, k kind) (*day, error) {
	d := &day{is: info}
	rows := bufio.NewScanner(f)
	rows.Buffer(make([]byte, 0, 64<<10), maxRow)
	var rest []byte
	rows.Split(func(b []byte, end bool) (int, []byte, error) {
		if n := k.end(b); n > 0 {
			return n, b[:n], nil
		}
		if end {
			rest = bytes.Clone(b)
		}
		return 0, nil, nil
	})
	line := 1
	for ; rows.Scan(); line++ {
		row := rows.Bytes()
		if !k.skip(row, line == 1) {
			id, err := k.id(row)
			if err == nil && line == 1 && len(k.head()) > 0 {
				err = fmt.Errorf("the file has other columns")
			}
			if err != nil {
				return nil, s.foreign(name, line, err)
			}
			s.seen.add(keyOf(name, id))
		}
		d.size += int64(len(row))
	}
	if err := rows.Err(); errors.Is(err, bufio.ErrTooLong) {
		return nil, s.foreign(name, line, err)
	} else if err != nil {
		return nil, s.explain(err)
	}
	if len(rest) == 0 {
		return d, nil
	}
	// A quote too many further up would make one row of all that follows: that is no cut-off row.
	for l := range bytes.Lines(rest) {
		if _, err := k.id(l); err == nil && bytes.HasSuffix(l, []byte("\n")) {
			return nil, s.foreign(name, line, errors.New("its quotes do not end"))
		}
	}
	return d, s.mendTail(name, f, d, rest, k)
}

func (s *Sink) mendTail(name string, f *os.File, d *day, rest []byte, k kind) error {
	end := k.line
	if bytes.HasSuffix(rest, []byte("\r")) {
		end = "\n"
	}
	id, err := k.id(append(bytes.Clone(rest), end...))
	if err != nil {
		s.log.Warn("a line that was cut off is removed; its entry was never accepted and comes again",
			"file", path.Join(s.cfg.Folder, name), "bytes", len(rest))
		if err := f.Truncate(d.size); err != nil {
			return s.explain(err)
		}
		return nil
	}
	if _, err := io.WriteString(f, end); err != nil {
		return s.explain(err)
	}
	s.seen.add(keyOf(name, id))
	d.size += int64(len(rest) + len(end))
	return nil
}

func (s *Sink) foreign(name string, line int, err error) error {
	return sinks.Unusable{Err: fmt.Errorf("line %d of %s is not as weighpost writes it (%w): move the file away, and a new one is begun",
		line, path.Join(s.cfg.Folder, name), err)}
}

// remembered is how many lines back an entry that comes again is recognised, over all files of the sink.
const remembered = 1 << 17

// rowKey is 128 bits of a hash over the name of a file and the id of an entry in it.
type rowKey [16]byte

func keyOf(name, id string) rowKey {
	var room [256]byte // most names and ids together are shorter
	sum := sha256.Sum256(append(append(append(room[:0], name...), 0), id...))
	return rowKey(sum[:16])
}

// recent remembers the last rows that were written or read.
type recent struct {
	set  map[rowKey]struct{}
	ring []rowKey
	next int
}

func newRecent() *recent { return &recent{set: make(map[rowKey]struct{})} }

func (r *recent) has(key rowKey) bool {
	_, ok := r.set[key]
	return ok
}

func (r *recent) add(key rowKey) {
	if _, ok := r.set[key]; ok {
		return
	}
	if len(r.ring) < remembered {
		r.ring = append(r.ring, key)
	} else {
		delete(r.set, r.ring[r.next])
		r.ring[r.next] = key
		r.next = (r.next + 1) % remembered
	}
	r.set[key] = struct{}{}
}
