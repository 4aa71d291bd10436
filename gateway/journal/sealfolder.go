package journal

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
)

// InFolder is a folder of this computer as a place for copies of segments. It must be there.
func InFolder(folder string) Place { return folderPlace(folder) }

type folderPlace string

func (p folderPlace) Where() string { return "the folder " + string(p) }

func (p folderPlace) enter() (*os.Root, error) {
	root, err := os.OpenRoot(string(p))
	if errors.Is(err, fs.ErrNotExist) {
		err = fmt.Errorf("it is not there: mount the disk, or make the folder: %w", err)
	}
	return root, err
}

// Store implements Place: under a name of its own first, synced, and renamed only if nothing else has the name.
func (p folderPlace) Store(_ context.Context, name string, r io.Reader) error {
	root, err := p.enter()
	if err != nil {
		return err
	}
	defer root.Close()
	sum, err := hashOf(root, name)
	if err == nil {
		return sameBytes(sum, r)
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	temp := ".weighpost-" + name + ".part"
	if err := root.Remove(temp); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	f, err := root.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return err
	}
	_, err = io.Copy(f, r)
	if err = errors.Join(err, f.Sync(), f.Close()); err == nil {
		err = root.Rename(temp, name)
	}
	if err != nil {
		_ = root.Remove(temp) // if it stays, the next attempt removes it
		return err
	}
	return syncDir(string(p))
}

// sameBytes says that a file of this name holds something else, unless it does not.
func sameBytes(sum string, r io.Reader) error {
	other, err := hashReader(r)
	if err == nil && other != sum {
		err = errors.New("another file has this name there already, and is not replaced")
	}
	return err
}

// Fetch implements Place.
func (p folderPlace) Fetch(_ context.Context, name string) (io.ReadCloser, error) {
	root, err := p.enter()
	if err != nil {
		return nil, err
	}
	defer root.Close()
	return plainFile(root, name)
}

// plainFile opens an ordinary file. A pipe would keep whoever opens it waiting.
func plainFile(root *os.Root, name string) (*os.File, error) {
	info, err := root.Lstat(name)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is no ordinary file", name)
	}
	return root.Open(name)
}

func hashOf(root *os.Root, name string) (string, error) {
	f, err := plainFile(root, name)
	if err != nil {
		return "", err
	}
	sum, err := hashReader(f)
	return sum, errors.Join(err, f.Close())
}
