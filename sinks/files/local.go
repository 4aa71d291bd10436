package files

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"path"
	"strings"

	"weighpost/sinks/folder"
)

// local is the folder as it is now, for package folder. Calls cannot be interrupted: a guard stands around them.
type local struct{ root *os.Root }

// localFile is one of its files.
type localFile struct {
	*os.File
	read bool
}

// Sync does nothing on Windows for a file that is open for reading, which cannot be flushed there.
func (f localFile) Sync() error {
	if f.read && !syncsReaders {
		return nil
	}
	return f.File.Sync()
}

// Kept files are read by those who look after the folder only.
func private(name string) bool {
	return strings.HasPrefix(name, "_") && !strings.HasPrefix(name, checkpointFolder)
}

func (l local) Stat(_ context.Context, name string) (fs.FileInfo, error) { return l.root.Lstat(name) }

func (l local) Create(ctx context.Context, name string) (folder.File, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	mode := os.FileMode(0o644)
	if private(name) {
		mode = 0o640
	}
	f, err := l.root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return nil, err
	}
	return localFile{File: f}, nil
}

func (l local) Open(_ context.Context, name string) (folder.File, error) {
	f, err := l.root.Open(name)
	if err != nil {
		return nil, err
	}
	return localFile{File: f, read: true}, nil
}

// Rename replaces a file in any case, as the system does: whoever does not want that looks first, and nobody else writes files
// of these names.
func (l local) Rename(ctx context.Context, from, to string, _ bool) error {
	if err := ctx.Err(); err != nil { // work that was left alone: the file may be another's by now
		return err
	}
	return l.root.Rename(from, to)
}

func (l local) Remove(_ context.Context, name string) error { return l.root.Remove(name) }

// Mkdir has the folder's name on the disk before something is put into it.
func (l local) Mkdir(_ context.Context, name string) error {
	mode := os.FileMode(0o755)
	if private(name) {
		mode = 0o750
	}
	switch err := l.root.Mkdir(name, mode); {
	case errors.Is(err, fs.ErrExist):
		return nil
	case err != nil:
		return err
	}
	return syncFolder(l.root, path.Dir(name))
}

const readAtOnce = 1024 // names read from a folder at a time

func (l local) Each(_ context.Context, name string, f func(fs.FileInfo) error) error {
	d, err := l.root.Open(name)
	if err != nil {
		return err
	}
	defer d.Close()
	for {
		entries, err := d.ReadDir(readAtOnce)
		for _, e := range entries {
			info, ierr := e.Info()
			if errors.Is(ierr, fs.ErrNotExist) {
				continue // it went in between
			}
			if ierr == nil {
				ierr = f(info)
			}
			if ierr != nil {
				return ierr
			}
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

// Settle syncs each folder once; what is in one that cannot be is not on the disk for sure.
func (l local) Settle(_ context.Context, names []string) (int, error) {
	done := len(names)
	var failed error
	synced := make(map[string]bool)
	for i, name := range names {
		dir := path.Dir(name)
		if synced[dir] {
			continue
		}
		synced[dir] = true
		if err := syncFolder(l.root, dir); err != nil && failed == nil {
			done, failed = i, err
		}
	}
	return done, failed
}

func (l local) Close() error { return l.root.Close() }
