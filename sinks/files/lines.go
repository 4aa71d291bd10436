package files

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// day is what is known of a file that lines are added to.
type day struct {
	is   os.FileInfo // to notice another file in its place
	size int64       // up to here it is whole, ours and on the disk
	torn bool        // a failed attempt may have left more
	kept bool        // its name is on the disk: the folder was synced since the file was first met
}

// maxDays is how many files are remembered; forgetting one costs reading it again.
const maxDays = 4096

// addition is what one file gets of a batch.
type addition struct {
	name  string
	first int // index of its first entry in the batch
	rows  []row
	text  []byte // of all rows
}

type row struct {
	key rowKey // of the entry's id
	end int    // where the row ends in text
}

// lines adds the entries to their files, each file once for the batch.
func (s *Sink) lines(ctx context.Context, entries []record.Entry) (int, error) {
	additions, n, err := s.sort(entries)
	for i, a := range additions {
		aerr := ctx.Err()
		if aerr == nil {
			aerr = s.add(a)
		}
		if aerr == nil {
			continue
		}
		// This file and those that follow are not done; the entries in front of all of theirs are.
		first := math.MaxInt
		for _, left := range additions[i:] {
			first = min(first, left.first)
		}
		return first, aerr
	}
	return n, err
}

// sort makes the rows of a batch, up to the first entry that cannot be one.
func (s *Sink) sort(entries []record.Entry) (list []*addition, n int, err error) {
	byName := make(map[string]*addition)
	for i, e := range entries {
		name, err := s.filing.Name.Render(e)
		if err != nil {
			return list, i, sinks.Refused{Err: err}
		}
		a := byName[name]
		if a == nil {
			a = &addition{name: name, first: i}
			if len(list) == 0 {
				a.text = make([]byte, 0, sizeOf(entries)) // most often all goes to one file
			}
		}
		if a.text, err = s.rows.AppendRow(a.text, e); err != nil {
			return list, i, sinks.Refused{Err: err}
		}
		if len(a.rows) == 0 {
			byName[name] = a
			list = append(list, a)
		}
		a.rows = append(a.rows, row{key: keyOf(name, e.ID), end: len(a.text)})
	}
	return list, len(entries), nil
}

// sizeOf guesses how many bytes the rows of entries have.
func sizeOf(entries []record.Entry) (n int) {
	for _, e := range entries {
		n += len(e.JSON) + 2
	}
	return n
}

// add puts the rows that are not there yet at the end of a file and has them on the disk.
func (s *Sink) add(a *addition) error {
	d, f, err := s.day(a.name, s.kind(a.name))
	if err != nil {
		return err
	}
	defer f.Close()
	fresh, text := s.fresh(a)
	if d.size == 0 {
		text = append(bytes.Clone(s.kind(a.name).head()), text...)
	}
	if err := s.put(a.name, f, d, text); err != nil {
		if !errors.Is(err, errShared) {
			// A retried sync may say that all is well when it is not: what was written is taken back.
			d.torn = f.Truncate(d.size) != nil
		}
		return s.explain(err)
	}
	for _, key := range fresh {
		s.seen.add(key)
	}
	return nil
}

// fresh gives what of the rows is not in the file yet, as far as that is remembered.
func (s *Sink) fresh(a *addition) (keys []rowKey, text []byte) {
	keys = make([]rowKey, 0, len(a.rows))
	mine := make(map[rowKey]struct{}, len(a.rows))
	text, begin := a.text[:0], 0 // in place: what is left out only makes it shorter
	for _, r := range a.rows {
		row := a.text[begin:r.end]
		begin = r.end
		if _, twice := mine[r.key]; twice || s.seen.has(r.key) {
			continue
		}
		mine[r.key] = struct{}{}
		keys, text = append(keys, r.key), append(text, row...)
	}
	return keys, text
}

var errShared = errors.New("is written to by something else as well")

// put writes at the end and moves d's size on when all of it is on the disk, in the file that has the name.
func (s *Sink) put(name string, f *os.File, d *day, text []byte) error {
	if _, err := f.Write(text); err != nil {
		return err
	}
	if err := f.Sync(); err != nil { // also when there is nothing to add: the last attempt may have ended before it
		return err
	}
	if !d.kept {
		if err := syncFolder(s.root, path.Dir(name)); err != nil {
			return err
		}
		d.kept = true
	}
	held, err := f.Stat()
	if err != nil {
		return err
	}
	named, err := s.root.Stat(name)
	if err != nil {
		return err
	}
	if !os.SameFile(held, named) {
		return errors.New(name + " was moved away while it was written to")
	}
	if held.Size() != d.size+int64(len(text)) {
		delete(s.days, name) // to be read again: ours are in it, with others
		return fmt.Errorf("%s %w", name, errShared)
	}
	d.size, d.is = held.Size(), held
	return nil
}

// day opens a file at its end. A file that is new to the sink, or that changed since, is read first.
func (s *Sink) day(name string, k kind) (*day, *os.File, error) {
	f, err := s.openDay(name)
	if err != nil {
		return nil, nil, err
	}
	info, err := f.Stat()
	if err != nil {
		f.Close()
		return nil, nil, s.explain(err)
	}
	d := s.days[name]
	if d != nil && os.SameFile(d.is, info) {
		if d.torn && info.Size() > d.size {
			if err := f.Truncate(d.size); err != nil {
				f.Close()
				return nil, nil, s.explain(err)
			}
			d.torn = false
			return d, f, nil
		}
		if info.Size() == d.size {
			return d, f, nil
		}
	}
	if len(s.days) >= maxDays {
		clear(s.days)
	}
	if d, err = s.mend(name, f, info, k); err != nil {
		f.Close()
		return nil, nil, err
	}
	s.days[name] = d
	return d, f, nil
}

func (s *Sink) openDay(name string) (*os.File, error) {
	if info, err := s.root.Lstat(name); err == nil && !info.Mode().IsRegular() {
		return nil, sinks.Unusable{Err: fmt.Errorf("%s is no plain file: move it away", path.Join(s.cfg.Folder, name))}
	} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, s.explain(err)
	}
	if err := s.mkdir(path.Dir(name)); err != nil {
		return nil, s.explain(err)
	}
	f, err := s.root.OpenFile(name, os.O_RDWR|os.O_APPEND|os.O_CREATE, 0o644)
	if err != nil {
		return nil, s.explain(err)
	}
	return f, nil
}
