package secret

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// replaceFile puts a file in the place of another, whole or not at all, and durably. Placed: it is in its place, whatever the
// error says (then it is not known whether a power cut leaves it there).
func replaceFile(path string, content []byte) (placed bool, err error) {
	beside := path + ".new"
	if err := os.Remove(beside); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return false, err
	}
	f, err := os.OpenFile(beside, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return false, err
	}
	_, err = f.Write(content)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return false, errors.Join(err, os.Remove(beside)) // a full disk is not made fuller
	}
	if err := os.Rename(beside, path); err != nil {
		return false, errors.Join(err, os.Remove(beside))
	}
	return true, syncDir(filepath.Dir(path))
}

// readOwn reads a file that nobody but its owner may read, of most bytes at most. fs.ErrNotExist where there is none; other
// errors are sentences that name the file.
func readOwn(path string, most int64) ([]byte, error) {
	info, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	if err == nil && !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is no ordinary file: put back the file that was there", path)
	}
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", path, err)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", path, err)
	}
	defer f.Close()
	if info, err = f.Stat(); err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", path, err)
	}
	if who := open(info); who != "" {
		return nil, fmt.Errorf("%s is not used, because %s: say \"chmod 600 %s\", and have the secrets changed if somebody may have read it", path, who, path)
	}
	b, err := io.ReadAll(io.LimitReader(f, most+1))
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", path, err)
	}
	if int64(len(b)) > most {
		return nil, fmt.Errorf("%s is larger than %d MiB, and cannot be what this daemon wrote: put back the last good one from a backup of the keys", path, most>>20)
	}
	return b, nil
}
