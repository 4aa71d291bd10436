package gateway

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"weighpost/gateway/config"
)

// replaceFile puts a text into a file in the place of the one that was seen there, whole or not at all, also through a power
// cut: beside it first, synced, then by one rename. A file that says something else by now is left alone. kept, if not "",
// is what follows the file's name where the text from before is kept. The undo puts the text from before back, unless somebody has edited the file since.
func replaceFile(path string, seen, text []byte, kept string) (undo func(), err error) {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return nil, notWritable(path, err)
	}
	if kept != "" {
		if err := swap(real, seen, seen, real+kept); err != nil {
			return nil, err
		}
	}
	if err := swap(real, seen, text, real); err != nil {
		return nil, err
	}
	return func() { _ = swap(real, text, seen, real) }, nil
}

func notWritable(path string, err error) error {
	return fmt.Errorf("the file %s cannot be written, so that nothing was changed: %w. weighpost's user needs to write there, or the change is made on the host", path, err)
}

// swap writes text beside a file and moves it to a place, provided that the file still says what was seen.
func swap(real string, seen, text []byte, to string) (err error) {
	info, err := os.Stat(real)
	if err != nil {
		return notWritable(real, err)
	}
	f, err := os.CreateTemp(filepath.Dir(real), "."+filepath.Base(real)+".*") // 0600 until it is whole
	if err != nil {
		return notWritable(real, err)
	}
	defer func() {
		if err != nil {
			_ = os.Remove(f.Name())
		}
	}()
	_, err = f.Write(text)
	if err = errors.Join(err, f.Chmod(info.Mode().Perm()), f.Sync(), f.Close()); err != nil {
		return notWritable(real, err)
	}
	keepOwner(f.Name(), info)
	now, err := config.ReadFile(real)
	if err != nil {
		return notWritable(real, err)
	}
	if !bytes.Equal(now, seen) {
		return fmt.Errorf("the file %s was edited on the host meanwhile, and nothing was changed", real)
	}
	if err := os.Rename(f.Name(), to); err != nil {
		return notWritable(real, err)
	}
	return syncFolder(filepath.Dir(real))
}
