package certificate

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime"
)

// fileLimit is how much of a file is read: a chain of a dozen large certificates has a tenth of it.
const fileLimit = 256 << 10

// readFile reads a PEM file. A private one that anybody on this computer may read is no secret, and refused.
func readFile(path string, private bool) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	switch {
	case err != nil:
		return nil, err
	case !info.Mode().IsRegular():
		return nil, fmt.Errorf("%s is no file", path)
	case private && runtime.GOOS != "windows" && info.Mode().Perm()&0o007 != 0:
		return nil, fmt.Errorf("the key %s may be read or changed by everybody on this computer (%s): run `chmod o= %s`", path, info.Mode().Perm(), path)
	}
	b, err := io.ReadAll(io.LimitReader(f, fileLimit+1))
	if err == nil && len(b) > fileLimit {
		err = fmt.Errorf("%s is larger than %d KiB: it is no certificate or key", path, fileLimit>>10)
	}
	return b, err
}

// writeFile writes beside its place and moves it there, so that no half of it is ever found.
func writeFile(path string, text []byte, mode fs.FileMode) error {
	beside := path + ".new"
	if err := os.Remove(beside); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	f, err := os.OpenFile(beside, os.O_CREATE|os.O_EXCL|os.O_WRONLY, mode)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(beside, path)
}
