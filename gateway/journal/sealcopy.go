package journal

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"

	"weighpost/gateway/record"
)

// copyOut copies files of the folder segments to every place, and reads each back there: it must have the SHA-256 that is
// given with its name.
func (s *sealer) copyOut(ctx context.Context, files map[string]string) ([]record.SealedCopy, error) {
	copies := []record.SealedCopy{}
	for _, p := range s.o.Places {
		for _, name := range slices.Sorted(maps.Keys(files)) {
			s.o.Progress("copying", uint64(len(copies)), uint64(len(s.o.Places)))
			if err := s.copyTo(ctx, p, name, files[name]); err != nil {
				return nil, &CopyFault{Where: p.Where(), File: name, Err: err}
			}
		}
		copies = append(copies, record.SealedCopy{Where: p.Where(), Verified: s.o.Stamp().UTC})
	}
	return copies, nil
}

// CopyFault says that a copy of a segment could not be made, or is not what was written.
type CopyFault struct {
	Where, File string
	Err         error
}

func (f *CopyFault) Error() string {
	return fmt.Sprintf("%s could not be copied to %s: %v", f.File, f.Where, f.Err)
}

func (f *CopyFault) Unwrap() error { return f.Err }

func (s *sealer) copyTo(ctx context.Context, p Place, name, sum string) error {
	f, err := s.j.o.disk.OpenToRead(in(in(s.j.o.Dir, segmentsName), name))
	if err != nil {
		return err
	}
	size, err := f.Size()
	if err == nil {
		err = p.Store(ctx, name, &stoppable{ctx, io.NewSectionReader(f, 0, size)})
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	back, err := p.Fetch(ctx, name)
	if err != nil {
		return fmt.Errorf("it cannot be read back: %w", err)
	}
	h := sha256.New()
	n, err := io.Copy(h, io.LimitReader(back, size+1))
	if err = errors.Join(err, back.Close()); err != nil {
		return fmt.Errorf("it cannot be read back: %w", err)
	}
	if have := hex.EncodeToString(h.Sum(nil)); have != sum || n != size {
		return fmt.Errorf("what comes back from there is not what was written (%d bytes with the SHA-256 %s, and not %d with %s): see to that "+
			"disk, and remove the file there", n, have, size, sum)
	}
	return nil
}

func sumOfBytes(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}
