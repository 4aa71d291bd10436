package files

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/format"
)

// each writes one file for each entry. Folders are synced once at the end; what is in one that cannot be is not accepted.
func (s *Sink) each(ctx context.Context, entries []record.Entry) (n int, err error) {
	first := make(map[string]int) // folder to be synced: index of the first entry in it
	var order []string
	for n < len(entries) {
		if err = ctx.Err(); err != nil {
			break
		}
		var dir string
		if dir, err = s.one(entries[n]); err != nil {
			break
		}
		if _, known := first[dir]; !known {
			first[dir] = n
			order = append(order, dir)
		}
		n++
	}
	for _, dir := range order {
		if serr := syncFolder(s.root, dir); serr != nil && first[dir] < n {
			n, err = first[dir], s.explain(serr)
		}
	}
	return n, err
}

// one writes the file of an entry and names the folder that it is in.
func (s *Sink) one(e record.Entry) (dir string, err error) {
	name, err := s.name.render(e)
	if err != nil {
		return "", sinks.Refused{Err: err}
	}
	dir = path.Dir(name)
	there, err := s.there(name, format.JSON(e))
	if err != nil || there {
		return dir, err
	}
	if err := s.write(name, format.JSON(e)); err != nil {
		return "", s.explain(err)
	}
	return dir, nil
}

// there says whether the file of an entry is in its place already, synced. Another file there is never replaced.
func (s *Sink) there(name string, body []byte) (bool, error) {
	info, err := s.root.Lstat(name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return false, nil
	case err != nil:
		return false, s.explain(err)
	case !info.Mode().IsRegular():
		return false, sinks.Refused{Err: fmt.Errorf("%s is there already and is no plain file", name)}
	case info.Size() != int64(len(body)):
		return false, other(name)
	}
	f, err := s.root.OpenFile(name, os.O_RDWR, 0)
	if err != nil {
		return false, s.explain(err)
	}
	defer f.Close()
	held, err := io.ReadAll(io.LimitReader(f, int64(len(body))+1))
	if err != nil {
		return false, s.explain(err)
	}
	if !bytes.Equal(held, body) {
		return false, other(name)
	}
	// The last attempt may have ended before the sync.
	if err := f.Sync(); err != nil {
		return false, s.explain(err)
	}
	return true, nil
}

func other(name string) error {
	return sinks.Refused{Err: fmt.Errorf("%s is there already with other content, and is not replaced", name)}
}

// write makes the file beside its place, has it on the disk, and gives it its name.
func (s *Sink) write(name string, body []byte) (err error) {
	dir := path.Dir(name)
	if err := s.mkdir(dir); err != nil {
		return err
	}
	temp := path.Join(dir, s.temp)
	// What an attempt left that was cut off is in the way of the same entry's next one.
	if err := s.root.Remove(temp); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	f, err := s.root.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			_ = s.root.Remove(temp) // if it stays, the next attempt removes it
		}
	}()
	_, werr := f.Write(body)
	serr := f.Sync()
	if err := errors.Join(werr, serr, f.Close()); err != nil {
		return err
	}
	return s.root.Rename(temp, name)
}
