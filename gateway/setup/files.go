package setup

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// WriteNew puts a file where none is, in one step: whole or not at all. With replace it may take the place of a file, which
// keeps its mode and owner. The error says in a sentence what stands in the way.
func WriteNew(path string, data []byte, replace bool) error {
	info, err := os.Stat(path)
	switch {
	case err == nil && !info.Mode().IsRegular():
		return fmt.Errorf("%s is there already and is no file: name another", path)
	case err == nil && !replace:
		return fmt.Errorf("the file %s is there already: name another, or say --replace", path)
	case err == nil:
		was, err := os.ReadFile(path)
		if err != nil {
			return fmt.Errorf("the file that is to be replaced cannot be read: %w", err)
		}
		return replaceFile(path, was, data)
	case !errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("the file cannot be written: %w", err)
	}
	temp, err := written(path, data, 0o644, nil)
	if err != nil {
		return err
	}
	defer os.Remove(temp)
	// A link takes no other file's place, as a rename would.
	if err := os.Link(temp, path); errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("the file %s is there already: name another, or say --replace", path)
	} else if err != nil {
		if err := os.Rename(temp, path); err != nil { // a file system without links
			return fmt.Errorf("the file cannot be written: %w", err)
		}
	}
	return syncFolder(filepath.Dir(path))
}

// replaceFile gives a file another content in one step. It keeps mode and owner; a symbolic link goes on leading to the file.
// Where the file is no longer what it was, it stays as it is.
func replaceFile(path string, was, is []byte) error {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return fmt.Errorf("the file cannot be written: %w", err)
	}
	info, err := os.Stat(real)
	if err != nil {
		return fmt.Errorf("the file cannot be written: %w", err)
	}
	if !info.Mode().IsRegular() {
		return fmt.Errorf("%s is no file: name another", path)
	}
	temp, err := written(real, is, info.Mode().Perm(), info)
	if err != nil {
		return err
	}
	defer os.Remove(temp)
	now, err := os.ReadFile(real)
	if err != nil {
		return fmt.Errorf("the file cannot be read again: %w", err)
	}
	if !bytes.Equal(now, was) {
		return fmt.Errorf("somebody changed %s in the meantime, and it was left as it is: start again", path)
	}
	if err := os.Rename(temp, real); err != nil {
		return fmt.Errorf("the file cannot be written: %w", err)
	}
	return syncFolder(filepath.Dir(real))
}

// written puts data into a file beside path, on the disk, and gives its name. owner is whose file it has to be; nil for
// whoever runs this.
func written(path string, data []byte, mode fs.FileMode, owner fs.FileInfo) (temp string, err error) {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return "", fmt.Errorf("no file can be written in %s: %w", filepath.Dir(path), err)
	}
	defer func() {
		err = errors.Join(err, f.Close())
		if err != nil {
			err = errors.Join(fmt.Errorf("the file cannot be written: %w", err), os.Remove(f.Name()))
		}
	}()
	if _, err := f.Write(data); err != nil {
		return "", err
	}
	if owner != nil {
		if err := keepOwner(f, owner); err != nil {
			return "", fmt.Errorf("%s belongs to somebody else, whose it has to stay: do this as its owner, or as root (%w)", path, err)
		}
	}
	if err := f.Chmod(mode); err != nil {
		return "", err
	}
	return f.Name(), f.Sync()
}
