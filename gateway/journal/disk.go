package journal

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"

	"github.com/ncruces/go-sqlite3/vfs"
)

// disk is the file system as the journal uses it. There are two: the real one, and the one of the tests that loses what
// was not synced when its power is cut.
type disk interface {
	// ReadFile gives a whole file. An absent one is fs.ErrNotExist.
	ReadFile(name string) ([]byte, error)
	// Open opens a file for writing, and creates it with this mode if it is absent.
	Open(name string, mode fs.FileMode) (diskFile, error)
	// OpenToRead opens a file that is there for reading. An absent one is fs.ErrNotExist.
	OpenToRead(name string) (readFile, error)
	Exists(name string) (bool, error)
	Rename(from, to string) error
	RemoveAll(name string) error
	Mkdir(name string) error
	// SyncDir makes the names in a folder durable.
	SyncDir(name string) error
	// Layer names SQLite's file layer for this disk, and Look the one that reads without leaving a trace.
	Layer() string
	Look() string
}

type diskFile interface {
	io.WriterAt
	io.Closer
	Sync() error
}

type readFile interface {
	io.ReaderAt
	io.Closer
	Size() (int64, error)
}

// osDisk is the real one.
type osDisk struct{}

func (osDisk) ReadFile(name string) ([]byte, error) { return os.ReadFile(name) }

func (osDisk) Open(name string, mode fs.FileMode) (diskFile, error) {
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, mode)
	if err != nil {
		return nil, err
	}
	return osFile{f}, nil
}

func (osDisk) OpenToRead(name string) (readFile, error) {
	if info, err := os.Stat(name); err != nil {
		return nil, err
	} else if !info.Mode().IsRegular() {
		return nil, errors.New("it is no ordinary file") // a pipe would keep whoever opens it waiting
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	return osFile{f}, nil
}

func (osDisk) Exists(name string) (bool, error) {
	_, err := os.Lstat(name)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return err == nil, err
}

func (osDisk) Rename(from, to string) error { return os.Rename(from, to) }
func (osDisk) RemoveAll(name string) error  { return os.RemoveAll(name) }
func (osDisk) Mkdir(name string) error      { return os.MkdirAll(name, 0o750) }

func (osDisk) SyncDir(name string) error { return syncDir(name) }

const lookLayer = "weighpost-look"

var registerLook = sync.OnceFunc(func() { vfs.Register(lookLayer, look{vfs.Find("")}) })

func (osDisk) Layer() string {
	registerSpace()
	return spaceLayer
}

func (osDisk) Look() string {
	registerLook()
	return lookLayer
}

type osFile struct{ *os.File }

// Sync makes the content durable. The head file never changes its size, so its data is all there is to sync.
func (f osFile) Sync() error { return syncData(f.File) }

func (f osFile) Size() (int64, error) {
	info, err := f.Stat()
	if err != nil {
		return 0, err
	}
	return info.Size(), nil
}

// writeWhole creates a file with its content and syncs it. It is for files that are not yet under their final name.
func writeWhole(d disk, name string, content []byte, mode fs.FileMode) error {
	f, err := d.Open(name, mode)
	if err != nil {
		return err
	}
	if _, err = f.WriteAt(content, 0); err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

func in(dir, name string) string { return filepath.Join(dir, name) }
