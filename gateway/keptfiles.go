package gateway

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// keptFolder is where files are kept beside the journal, each named by its SHA-256. Their hashes are in the journal: nothing here is
// ever changed, and what is not as its name says is damaged.
const keptFolder = journal.KeptFolder

func (g *Gateway) keptPath() string {
	return filepath.Join(g.now.Load().cfg.Journal.Folder, keptFolder)
}

// KeepFile returns once a file is durable. One that is there already stays as it is.
func (g *Gateway) KeepFile(name string, content []byte) (record.KeptFile, error) {
	sum := sha256.Sum256(content)
	f := record.KeptFile{Name: name, SHA256: hex.EncodeToString(sum[:]), Bytes: int64(len(content))}
	if len(content) == 0 || len(content) > record.MostKept {
		return f, fmt.Errorf("a file of %d bytes is not kept: 1 to %d are", len(content), record.MostKept)
	}
	folder := g.keptPath()
	if err := os.Mkdir(folder, 0o700); err == nil {
		err = syncFolder(filepath.Dir(folder))
		if err != nil {
			return f, err
		}
	} else if !errors.Is(err, fs.ErrExist) {
		return f, err
	}
	root, err := os.OpenRoot(folder)
	if err != nil {
		return f, err
	}
	defer root.Close()
	if there, err := readKept(root, f); err == nil && bytes.Equal(there, content) {
		return f, nil
	}
	if err := writeKept(root, f.SHA256, content); err != nil {
		return f, fmt.Errorf("%s cannot be written to: %w", folder, err)
	}
	return f, syncFolder(folder)
}

// writeKept writes under another name, and renames once everything is on the disk.
func writeKept(root *os.Root, name string, content []byte) error {
	temp := name + "." + rand.Text()[:8] + ".part"
	out, err := root.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = out.Write(content)
	if err == nil {
		err = out.Sync()
	}
	if err = errors.Join(err, out.Close()); err == nil {
		err = root.Rename(temp, name)
	}
	if err != nil {
		err = errors.Join(err, root.Remove(temp))
	}
	return err
}

// KeptFile gives a file that is as its hash says.
func (g *Gateway) KeptFile(f record.KeptFile) ([]byte, error) {
	root, err := os.OpenRoot(g.keptPath())
	if err != nil {
		return nil, fmt.Errorf("the files that are kept beside the journal are gone: %w. Put the folder back from a backup (weighpost help backup)", err)
	}
	defer root.Close()
	return readKept(root, f)
}

func readKept(root *os.Root, f record.KeptFile) ([]byte, error) {
	if raw, err := hex.DecodeString(f.SHA256); err != nil || len(raw) != sha256.Size {
		return nil, fmt.Errorf("%.80q is no SHA-256", f.SHA256)
	}
	in, err := root.Open(f.SHA256)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	content, err := io.ReadAll(io.LimitReader(in, record.MostKept+1))
	if err != nil {
		return nil, err
	}
	if sum := sha256.Sum256(content); hex.EncodeToString(sum[:]) != f.SHA256 {
		return nil, fmt.Errorf("the file %s in %s is not as it was when it was kept (SHA-256 differs): put it back from a backup, or attach it again (weighpost help backup)", f.SHA256, root.Name())
	}
	return content, nil
}
