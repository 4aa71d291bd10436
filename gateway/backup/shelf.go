package backup

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"weighpost/sinks"
)

// Shelf is a place where backups are kept: a folder, or a sink that keeps files.
type Shelf struct {
	Where  string // for people and entries: the folder, or "sink ID"
	folder string
	store  sinks.Storer
}

// storeFolder is where backups are in a sink.
const storeFolder = "_backups/"

// InFolder is a folder of this computer.
func InFolder(folder string) Shelf { return Shelf{Where: folder, folder: folder} }

// InSink is a sink that keeps files.
func InSink(id string, s sinks.Storer) Shelf { return Shelf{Where: "sink " + id, store: s} }

// Kept is a file on a shelf that has the name of a backup.
type Kept struct {
	Where       string
	Name        string
	Size        int64
	Incarnation string
	Made        time.Time // as its name says
}

// List gives the backups of a site on the shelf, newest first, by their names.
func (s Shelf) List(ctx context.Context, site string) ([]Kept, error) {
	var list []Kept
	add := func(name string, size int64) {
		if of, incarnation, at, ok := ParseName(name); ok && of == site {
			list = append(list, Kept{s.Where, name, size, incarnation, at})
		}
	}
	if s.store != nil {
		files, err := s.store.Stored(ctx, storeFolder+"weighpost-")
		if err != nil {
			return nil, fmt.Errorf("the backups in %s cannot be listed: %w", s.Where, err)
		}
		for _, f := range files {
			add(strings.TrimPrefix(f.Name, storeFolder), f.Size)
		}
	} else {
		names, err := os.ReadDir(s.folder)
		if err != nil {
			return nil, fmt.Errorf("the backups in %s cannot be listed: %w", s.Where, err)
		}
		for _, n := range names {
			info, err := n.Info()
			if err == nil && info.Mode().IsRegular() {
				add(n.Name(), info.Size())
			}
		}
	}
	slices.SortFunc(list, func(a, b Kept) int { return cmp.Or(b.Made.Compare(a.Made), cmp.Compare(b.Name, a.Name)) })
	return list, nil
}

// Put copies a backup that was made to the shelf, and reads the copy back.
func (s Shelf) Put(ctx context.Context, made Made) error {
	f, err := os.Open(filepath.Join(made.Folder, made.Name))
	if err != nil {
		return fmt.Errorf("the backup cannot be read for copying: %w", err)
	}
	defer f.Close()
	if err := s.store.Store(ctx, storeFolder+made.Name, f); err != nil {
		return fmt.Errorf("the backup could not be copied to %s: %w", s.Where, err)
	}
	sum, size, err := s.sum(ctx, made.Name)
	if err != nil {
		return fmt.Errorf("the copy of the backup in %s could not be read back: %w", s.Where, err)
	}
	if sum != made.SHA256 || size != made.Size {
		return fmt.Errorf("the copy of the backup in %s is not what was written (SHA-256 differs): see its disk", s.Where)
	}
	return nil
}

func (s Shelf) sum(ctx context.Context, name string) (string, int64, error) {
	r, err := s.read(ctx, name)
	if err != nil {
		return "", 0, err
	}
	sum, size, err := sumOf(r)
	return sum, size, errors.Join(err, r.Close())
}

func (s Shelf) read(ctx context.Context, name string) (io.ReadCloser, error) {
	if s.store != nil {
		return s.store.Fetch(ctx, storeFolder+name)
	}
	root, err := os.OpenRoot(s.folder)
	if err != nil {
		return nil, err
	}
	defer root.Close()
	if info, err := root.Lstat(name); err != nil || !info.Mode().IsRegular() {
		return nil, errors.Join(fmt.Errorf("%s is no plain file", name), err)
	}
	return root.Open(name)
}

// ours says whether a file was written by weighpost: its first header is one that Create writes, at the time that its name tells.
func (s Shelf) ours(ctx context.Context, k Kept) bool {
	r, err := s.read(ctx, k.Name)
	if err != nil {
		return false
	}
	defer r.Close()
	first := make([]byte, block)
	if _, err := io.ReadFull(r, first); err != nil || !bytes.HasPrefix(first, []byte(entriesName)) {
		return false
	}
	name, _, at, err := parseHeader(first)
	return err == nil && name == entriesName && at.Equal(k.Made)
}

func (s Shelf) remove(ctx context.Context, name string) error {
	if s.store != nil {
		return s.store.Remove(ctx, storeFolder+name)
	}
	root, err := os.OpenRoot(s.folder)
	if err != nil {
		return err
	}
	defer root.Close()
	if err := root.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return syncFolder(root)
}

// over gives what a rule does not keep, oldest first. The newest, and the one that was just made and found good, are always
// kept. What is too old is only told where age counts.
func (k Keep) over(list []Kept, good string, now time.Time, age bool) []Kept {
	var gone []Kept
	for i, one := range list {
		old := age && k.Days > 0 && now.Sub(one.Made) > time.Duration(k.Days)*day
		if i > 0 && one.Name != good && (i >= k.Count || old) {
			gone = append(gone, one)
		}
	}
	slices.Reverse(gone)
	return gone
}
