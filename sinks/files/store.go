package files

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"

	"weighpost/sinks"
	"weighpost/sinks/format"
)

// Folders of their own for whole files that are kept, and not delivered. No delivery's name begins with one.
const (
	backupFolder  = "_backups"
	segmentFolder = "_segments"
)

var reserved = []string{checkpointFolder, backupFolder, segmentFolder}

var _ sinks.Storer = (*Sink)(nil)

// storing lets one piece of work with kept files go on at a time, beside the deliveries.
type storing struct {
	turn chan struct{} // holds a token while somebody works
	work guard
}

func newStoring() *storing { return &storing{turn: make(chan struct{}, 1)} }

// do runs f in the folder, as it is now.
func (s *Sink) keep(ctx context.Context, f func(ctx context.Context, root *os.Root) error) error {
	select {
	case s.storing.turn <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { <-s.storing.turn }()
	_, err := s.storing.work.do(ctx, func(ctx context.Context) (int, error) {
		root, _, err := s.enter()
		if err != nil {
			return 0, err
		}
		err = f(ctx, root)
		return 0, errors.Join(err, root.Close())
	})
	return err
}

// Store implements sinks.Storer.
func (s *Sink) Store(ctx context.Context, name string, r io.Reader) error {
	if err := checkKept(name); err != nil {
		return err
	}
	return s.keep(ctx, func(ctx context.Context, root *os.Root) error {
		if err := mkdirs(root, path.Dir(name)); err != nil {
			return s.explain(err)
		}
		temp := path.Join(path.Dir(name), s.tempKept())
		sum, err := s.copyIn(ctx, root, temp, r)
		if err == nil {
			err = s.place(root, temp, name, sum)
		}
		if err != nil {
			_ = root.Remove(temp) // if it stays, the next attempt removes it
		}
		return err
	})
}

func (s *Sink) tempKept() string { return s.temp + ".kept" }

// copyIn writes all that r gives, and has it on the disk.
func (s *Sink) copyIn(ctx context.Context, root *os.Root, temp string, r io.Reader) ([]byte, error) {
	if err := root.Remove(temp); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, s.explain(err)
	}
	f, err := root.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return nil, s.explain(err)
	}
	sum := sha256.New()
	from := &source{ctx: ctx, r: r}
	_, err = io.Copy(io.MultiWriter(f, sum), from)
	if from.err != nil {
		return nil, errors.Join(fmt.Errorf("what is to be stored cannot be read: %w", from.err), f.Close())
	}
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return nil, s.explain(err)
	}
	return sum.Sum(nil), nil
}

// place gives a file that was written its name, unless another has it.
func (s *Sink) place(root *os.Root, temp, name string, sum []byte) error {
	held, err := sumOf(root, name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if err := root.Rename(temp, name); err != nil {
			return s.explain(err)
		}
	case err != nil:
		return s.explain(err)
	case !bytes.Equal(held, sum):
		return fmt.Errorf("%s in the folder %s: %w", name, s.cfg.Folder, sinks.ErrTaken)
	default:
		if err := root.Remove(temp); err != nil {
			return s.explain(err)
		}
	}
	if err := syncFolder(root, path.Dir(name)); err != nil {
		return s.explain(err)
	}
	return nil
}

func sumOf(root *os.Root, name string) ([]byte, error) {
	f, err := openPlain(root, name)
	if err != nil {
		return nil, err
	}
	sum := sha256.New()
	_, err = io.Copy(sum, f)
	return sum.Sum(nil), errors.Join(err, f.Close())
}

// openPlain opens a plain file. Anything else could wait for ever, or never end.
func openPlain(root *os.Root, name string) (*os.File, error) {
	info, err := root.Lstat(name)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is no plain file", name)
	}
	return root.Open(name)
}

// Fetch implements sinks.Storer. Reading what it gives can wait for a share that does not answer.
func (s *Sink) Fetch(ctx context.Context, name string) (io.ReadCloser, error) {
	if err := checkKept(name); err != nil {
		return nil, err
	}
	opened := make(chan *os.File, 1) // not a variable: work that was left alone may end later
	err := s.keep(ctx, func(_ context.Context, root *os.Root) error {
		f, err := openPlain(root, name)
		if err != nil {
			return s.explain(err)
		}
		opened <- f
		return nil
	})
	if err != nil {
		select {
		case f := <-opened:
			_ = f.Close()
		default:
		}
		return nil, err
	}
	f := <-opened
	return struct {
		io.Reader
		io.Closer
	}{&source{ctx: ctx, r: f}, f}, nil
}

// mostKept is how many files of one folder are looked at.
const mostKept = 100_000

// Stored implements sinks.Storer.
func (s *Sink) Stored(ctx context.Context, prefix string) ([]sinks.StoredFile, error) {
	dir, begin := path.Split(prefix)
	dir = strings.TrimSuffix(dir, "/")
	if err := checkKept(path.Join(dir, begin+"x")); err != nil {
		return nil, err
	}
	found := make(chan []sinks.StoredFile, 1)
	err := s.keep(ctx, func(ctx context.Context, root *os.Root) error {
		list, err := s.list(ctx, root, dir, begin)
		found <- list
		return err
	})
	if err != nil {
		return nil, err
	}
	return <-found, nil
}

func (s *Sink) list(ctx context.Context, root *os.Root, dir, begin string) ([]sinks.StoredFile, error) {
	d, err := root.Open(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, s.explain(err)
	}
	names, err := d.Readdirnames(mostKept)
	if err := d.Close(); err != nil {
		return nil, s.explain(err)
	}
	if err != nil && err != io.EOF {
		return nil, s.explain(err)
	}
	slices.Sort(names)
	var list []sinks.StoredFile
	for _, base := range names {
		name := path.Join(dir, base)
		if !strings.HasPrefix(base, begin) || checkKept(name) != nil {
			continue
		}
		info, err := root.Lstat(name)
		if errors.Is(err, fs.ErrNotExist) || err == nil && !info.Mode().IsRegular() {
			continue
		}
		if err = errors.Join(err, ctx.Err()); err != nil {
			return nil, s.explain(err)
		}
		list = append(list, sinks.StoredFile{Name: name, Size: info.Size(), Time: info.ModTime()})
	}
	return list, nil
}

// Remove implements sinks.Storer.
func (s *Sink) Remove(ctx context.Context, name string) error {
	if err := checkKept(name); err != nil {
		return err
	}
	return s.keep(ctx, func(_ context.Context, root *os.Root) error {
		if err := root.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return s.explain(err)
		}
		return nil
	})
}

// checkKept says why a name cannot be that of a kept file, or nil.
func checkKept(name string) error {
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

// mkdirs makes the folder of kept files, and has its name on the disk.
func mkdirs(root *os.Root, dir string) error {
	if err := root.Mkdir(dir, 0o750); errors.Is(err, fs.ErrExist) {
		return nil
	} else if err != nil {
		return err
	}
	return syncFolder(root, ".")
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
