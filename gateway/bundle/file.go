package bundle

import (
	"bufio"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
)

// ToFile writes the bundle to a file that is not there yet. It appears under its name only once it is whole and on the disk: a full disk, an
// interruption and a power cut leave nothing there that could be taken for a bundle. The error is a sentence.
func (p *Plan) ToFile(ctx context.Context, name string) error {
	if err := free(name); err != nil {
		return err
	}
	part, err := p.toPart(ctx, name)
	if err != nil {
		return fmt.Errorf("the bundle was not written, and nothing of it is in %s: %w", name, err)
	}
	if err = free(name); err == nil { // somebody may have put one there meanwhile
		err = os.Rename(part, name)
	}
	if err != nil {
		return errors.Join(err, os.Remove(part))
	}
	return syncFolder(filepath.Dir(name))
}

func free(name string) error {
	switch _, err := os.Lstat(name); {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("the bundle cannot be written: %w", err)
	}
	return fmt.Errorf("%s is already there, and nothing is put in its place: give another name", name)
}

// toPart writes the bundle beside name, under a name of its own, and syncs it. After an error there is none.
func (p *Plan) toPart(ctx context.Context, name string) (part string, err error) {
	part = filepath.Join(filepath.Dir(name), "."+filepath.Base(name)+"."+rand.Text()[:8]+".part")
	f, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return "", err
	}
	to := &noting{w: f}
	out := bufio.NewWriterSize(to, 1<<16)
	err = p.Write(ctx, out)
	if err == nil {
		err = out.Flush()
	}
	if err == nil {
		if err = f.Sync(); err != nil {
			to.err = err
		}
	}
	if err = errors.Join(err, f.Close()); err == nil {
		return part, nil
	}
	if to.err != nil {
		err = fmt.Errorf("%w. Make room on its disk, or name a file on another", to.err)
	}
	return "", errors.Join(err, os.Remove(part))
}

// noting remembers what the disk said, which is told otherwise than what the journal says.
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

// syncFolder makes names durable. Windows has no such thing.
func syncFolder(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
