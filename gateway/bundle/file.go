package bundle

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"weighpost/gateway/newfile"
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
	return newfile.SyncFolder(filepath.Dir(name))
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
func (p *Plan) toPart(ctx context.Context, name string) (string, error) {
	part, err := newfile.Part(name, func(w io.Writer) error {
		out := bufio.NewWriterSize(w, 1<<16)
		if err := p.Write(ctx, out); err != nil {
			return err
		}
		return out.Flush()
	})
	// What the disk said is told otherwise than what the journal says.
	if refused := (*newfile.Refused)(nil); errors.As(err, &refused) {
		err = fmt.Errorf("%w. Make room on its disk, or name a file on another", refused.Disk)
	}
	return part, err
}
