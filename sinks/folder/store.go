package folder

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strings"

	"weighpost/sinks"
	"weighpost/sinks/format"
)

// Folders of their own for whole files that are kept, and not delivered. No delivery's name begins with one.
const (
	CheckpointFolder = "_checkpoints"
	backupFolder     = "_backups"
	segmentFolder    = "_segments"
)

var reserved = []string{CheckpointFolder, backupFolder, segmentFolder}

// mostKept is how many files of one folder are looked at.
const mostKept = 100_000

// Store keeps a file, as sinks.Storer says.
func (f *Filing) Store(ctx context.Context, v *Visit, name string, r io.Reader) error {
	temp, file, err := v.create(ctx, path.Dir(name), strings.TrimSuffix(f.Temp, ".part")+".kept.part")
	if err != nil {
		return f.Explain(err)
	}
	sum, err := f.copyIn(ctx, file, r)
	if err == nil {
		err = f.placeKept(ctx, v, temp, name, sum)
	}
	if err != nil {
		_ = v.Remove(ctx, temp) // if it stays, the next attempt removes it
	}
	return err
}

// copyIn writes all that r gives, and has it on the disk.
func (f *Filing) copyIn(ctx context.Context, file File, r io.Reader) (*tally, error) {
	sum := newTally(nil)
	from := &source{ctx: ctx, r: r}
	_, err := io.CopyBuffer(struct{ io.Writer }{io.MultiWriter(file, sum)}, from, make([]byte, chunk))
	if from.err != nil {
		return nil, errors.Join(fmt.Errorf("what is to be stored cannot be read: %w", from.err), file.Close())
	}
	if err == nil {
		err = file.Sync()
	}
	if err = errors.Join(err, file.Close()); err != nil {
		return nil, f.Explain(err)
	}
	return sum, nil
}

// placeKept gives a file that was written its name, unless another has it.
func (f *Filing) placeKept(ctx context.Context, v *Visit, temp, name string, sum *tally) error {
	same, err := sum.of(ctx, v, name)
	if errors.Is(err, fs.ErrNotExist) {
		if err = v.Rename(ctx, temp, name, false); errors.Is(err, fs.ErrExist) {
			same, err = sum.of(ctx, v, name)
		} else if err == nil {
			same = true
		}
	} else if err == nil && same {
		err = v.Remove(ctx, temp)
	}
	switch {
	case err != nil:
		return f.Explain(err)
	case !same:
		return fmt.Errorf("%s in %s: %w", name, f.Where, sinks.ErrTaken)
	}
	_, err = v.Settle(ctx, []string{name})
	return f.explained(err)
}

// Fetch gives what is kept under a name.
func (f *Filing) Fetch(ctx context.Context, v *Visit, name string) (io.ReadCloser, error) {
	file, err := openPlain(ctx, v, name)
	if err != nil {
		return nil, f.Explain(err)
	}
	return struct {
		io.Reader
		io.Closer
	}{&source{ctx: ctx, r: file}, file}, nil
}

var errEnough = errors.New("enough")

// Stored lists what is kept.
func (f *Filing) Stored(ctx context.Context, v *Visit, prefix string) ([]sinks.StoredFile, error) {
	dir, begin := splitKept(prefix)
	var list []sinks.StoredFile
	looked := 0
	err := v.Each(ctx, dir, func(info fs.FileInfo) error {
		name := path.Join(dir, info.Name())
		if info.Mode().IsRegular() && strings.HasPrefix(info.Name(), begin) && CheckKept(name) == nil {
			list = append(list, sinks.StoredFile{Name: name, Size: info.Size(), Time: info.ModTime()})
		}
		if looked++; looked >= mostKept {
			return errEnough
		}
		return ctx.Err()
	})
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, nil
	case err != nil && !errors.Is(err, errEnough):
		return nil, f.Explain(err)
	}
	slices.SortFunc(list, func(a, b sinks.StoredFile) int { return strings.Compare(a.Name, b.Name) })
	return list, nil
}

func splitKept(prefix string) (dir, begin string) {
	dir, begin = path.Split(prefix)
	return strings.TrimSuffix(dir, "/"), begin
}

// CheckPrefix says why nothing kept can have names that begin so, or nil.
func CheckPrefix(prefix string) error {
	dir, begin := splitKept(prefix)
	return CheckKept(path.Join(dir, begin+"x"))
}

// RemoveKept removes what is kept under a name.
func (f *Filing) RemoveKept(ctx context.Context, v *Visit, name string) error {
	if err := v.Remove(ctx, name); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return f.Explain(err)
	}
	return nil
}

// CheckKept says why a name cannot be that of a kept file, or nil.
func CheckKept(name string) error {
	dir, base := path.Split(name)
	if dir != backupFolder+"/" && dir != segmentFolder+"/" {
		return fmt.Errorf("%.80q cannot be stored: its name begins with neither %s/ nor %s/", name, backupFolder, segmentFolder)
	}
	ok := base != "" && len(base) <= maxElement && base[0] != '.' && format.SafeName(base) == base
	for _, c := range base {
		ok = ok && (c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c == '.' || c == '-' || c == '_')
	}
	if !ok {
		return fmt.Errorf("%.80q cannot be stored: its name is not made of a to z, 0 to 9, dot, dash and underscore", name)
	}
	return nil
}

// source ends reading when its context does, and keeps the fault of the reader apart from that of the writer.
type source struct {
	ctx context.Context
	r   io.Reader
	err error
}

func (s *source) Read(p []byte) (int, error) {
	if err := s.ctx.Err(); err != nil {
		s.err = err
		return 0, err
	}
	n, err := s.r.Read(p)
	if err != nil && err != io.EOF {
		s.err = err
	}
	return n, err
}
