// Package newfile writes files that are there whole and on the disk, or not at all: for what people have written under a name of their choice.
// It knows nothing of what is in them.
package newfile

import (
	"crypto/rand"
	"errors"
	"io"
	"os"
	"path/filepath"
	"runtime"
)

// Refused is the error of a file that the disk did not take. It reads as the error of whoever wrote.
type Refused struct {
	error
	Disk error // what the disk alone said
}

func (r *Refused) Unwrap() error { return r.error }

// Part writes a file beside name, under a name of its own, and syncs it: renamed to name it is there whole. After an error there is none; one that
// comes of the disk is a *Refused.
func Part(name string, write func(io.Writer) error) (part string, err error) {
	part = filepath.Join(filepath.Dir(name), "."+filepath.Base(name)+"."+rand.Text()[:8]+".part")
	f, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return "", err
	}
	to := &noting{w: f}
	if err = write(to); err == nil {
		if err = f.Sync(); err != nil {
			to.err = err
		}
	}
	if err = errors.Join(err, f.Close()); err == nil {
		return part, nil
	}
	left := os.Remove(part)
	if err = errors.Join(err, left); to.err != nil {
		err = &Refused{err, errors.Join(to.err, left)}
	}
	return "", err
}

// noting remembers what the disk said, apart from what whoever writes says.
type noting struct {
	w   io.Writer
	err error
}

func (n *noting) Write(b []byte) (int, error) {
	done, err := n.w.Write(b)
	if err != nil {
		n.err = err
	}
	return done, err
}

// SyncFolder makes the names in a folder durable. Windows has no such thing.
func SyncFolder(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
