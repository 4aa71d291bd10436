package export

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"weighpost/gateway/newfile"
)

// ToFile writes an export to a file, and its manifest beside it. Both appear under their names only when they are whole and
// on the disk, the manifest last. A file that is there already is refused, unless replace says otherwise.
func ToFile(ctx context.Context, src Source, r Request, name string, replace bool) (Manifest, error) {
	manifest := name + ManifestSuffix
	if err := free(replace, name, manifest); err != nil {
		return Manifest{}, err
	}
	var m Manifest
	part, err := newfile.Part(name, func(w io.Writer) (err error) {
		m, err = Write(ctx, w, src, r)
		return err
	})
	if err != nil {
		return Manifest{}, fmt.Errorf("the export to %s was not written: %w", name, err)
	}
	if err = free(replace, name, manifest); err == nil && replace {
		// Without its manifest the old file is not called whole, whatever happens to this one now.
		if err = os.Remove(manifest); errors.Is(err, fs.ErrNotExist) {
			err = nil
		}
	}
	if err == nil {
		err = os.Rename(part, name)
	}
	if err != nil {
		return Manifest{}, errors.Join(fmt.Errorf("the export to %s was not written: %w", name, err), os.Remove(part))
	}
	m.File = filepath.Base(name)
	if err := WriteManifest(manifest, &m); err != nil {
		return Manifest{}, err
	}
	return m, nil
}

// free refuses names that are taken.
func free(replace bool, names ...string) error {
	for _, name := range names {
		i, err := os.Lstat(name)
		switch {
		case errors.Is(err, fs.ErrNotExist):
		case err != nil:
			return fmt.Errorf("%s cannot be written: %w", name, err)
		case !i.Mode().IsRegular():
			return fmt.Errorf("%s is no file, so it is not replaced: name another", name)
		case !replace:
			return fmt.Errorf("%s is there already: name another file, or say that this one is to be replaced", name)
		}
	}
	return nil
}

// WriteManifest writes a manifest under a name, replacing what is there, so that it is there whole or not at all.
func WriteManifest(name string, m *Manifest) error {
	b, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return err
	}
	part, err := newfile.Part(name, func(w io.Writer) error {
		_, err := w.Write(append(b, '\n'))
		return err
	})
	if err == nil {
		if err = os.Rename(part, name); err == nil {
			return newfile.SyncFolder(filepath.Dir(name))
		}
		err = errors.Join(err, os.Remove(part))
	}
	return fmt.Errorf("the manifest %s was not written, so that the export is not known to be whole: %w", name, err)
}
