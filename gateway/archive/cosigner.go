package archive

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime"

	"weighpost/gateway/proof"
)

// mostKeys bounds the files of keys: 100,000 of them.
const mostKeys = 16 << 20

// readSmall reads a file of keys.
func readSmall(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, mostKeys+1))
	if err == nil && len(b) > mostKeys {
		err = fmt.Errorf("%s has more than %d bytes", path, mostKeys)
	}
	return string(b), err
}

// readCosigner reads the archive's own secret key. A file that others may read is refused on systems that tell.
func readCosigner(path string) (*proof.Cosigner, error) {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("there is no file %s: weighpost archive key %s --name NAME makes it", path, path)
	}
	if err != nil {
		return nil, fmt.Errorf("the archive's key cannot be read: %w", err)
	}
	if mode := info.Mode().Perm(); runtime.GOOS != "windows" && mode&0o007 != 0 {
		return nil, fmt.Errorf("%s may be read or changed by everybody on this computer (%s), and whoever has read it can co-sign: run `chmod o= %s`, or make another key", path, mode, path)
	}
	content, err := readSmall(path)
	if err != nil {
		return nil, fmt.Errorf("the archive's key cannot be read: %w", err)
	}
	return proof.ParseCosigner(content)
}

// MakeKey draws the archive's own key, writes it to a new file that its owner alone may read, and gives the text of its public half. A
// file that is there is left as it is.
func MakeKey(path, name string) (public string, err error) {
	secret, public, err := proof.NewCosigner(rand.Reader, name)
	if err != nil {
		return "", err
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return "", fmt.Errorf("%s is there already and was left as it is: name another file", path)
	}
	if err != nil {
		return "", fmt.Errorf("the archive's key cannot be written: %w", err)
	}
	_, err = f.WriteString(secret + "\n")
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return "", fmt.Errorf("the archive's key cannot be written: %w", errors.Join(err, os.Remove(path)))
	}
	return public, nil
}
