package folder

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"path"

	"weighpost/sinks"
	"weighpost/sinks/format"
)

// chunk is how much is written at once, in bytes: more than one packet of any protocol, and little beside everything else.
const chunk = 256 << 10

// mostLeft is how many entries of one batch can be left out: each is held in memory until it is parked.
const mostLeft = 10_000

// Collect writes one file of a closed batch (see sinks.Collector).
func (f *Filing) Collect(ctx context.Context, v *Visit, b sinks.Batch) (left []sinks.LeftOut, err error) {
	name, err := f.Closed.RenderBatch(b.Name, f.Site)
	if err != nil {
		return nil, sinks.Unusable{Err: fmt.Errorf("the name of the file %w", err)}
	}
	temp, file, err := v.create(ctx, path.Dir(name), f.Temp)
	if err != nil {
		return nil, f.Explain(err)
	}
	sum := newTally(b.Alive)
	left, held, err := f.fill(ctx, io.MultiWriter(file, sum), b)
	if err == nil && held > 0 {
		err = f.explained(file.Sync())
	}
	if err = errors.Join(err, f.explained(file.Close())); err == nil && held > 0 {
		err = f.place(ctx, v, temp, name, sum)
	}
	if err != nil || held == 0 { // a file without an entry is none
		_ = v.Remove(ctx, temp) // if it stays, the next attempt removes it
		return left, err
	}
	return left, f.prove(ctx, v, name, sum.Sum(nil))
}

func (f *Filing) explained(err error) error {
	if err == nil {
		return nil
	}
	return f.Explain(err)
}

// fill writes the entries of a batch, and gives those that the format cannot hold and how many it could.
func (f *Filing) fill(ctx context.Context, w io.Writer, b sinks.Batch) (left []sinks.LeftOut, held int, err error) {
	out := bufio.NewWriterSize(w, chunk)
	s, err := f.Format.Stream(out)
	if err != nil {
		return nil, 0, f.Explain(err)
	}
	for e, err := range b.Entries {
		if err = errors.Join(err, ctx.Err()); err != nil {
			return nil, 0, fmt.Errorf("the entries of the batch %s cannot be read: %w", b.Name, err)
		}
		var not format.NotHeld
		switch err := s.Add(e); {
		case errors.As(err, &not):
			if len(left) == mostLeft {
				return nil, 0, sinks.Unusable{Err: fmt.Errorf("the format %s cannot hold %d entries of the batch %s and more, the first because: %w",
					f.Choice.Format, mostLeft, b.Name, left[0].Err)}
			}
			e.JSON = nil // not needed to park it
			left = append(left, sinks.LeftOut{Entry: e, Err: err})
		case err != nil:
			return nil, 0, f.Explain(err)
		default:
			held++
		}
	}
	if err := s.Close(); err != nil {
		return nil, 0, f.Explain(err)
	}
	return left, held, f.explained(out.Flush())
}

// errTaken says that another file has the name.
func (f *Filing) errTaken(name string) error {
	return sinks.Unusable{Err: fmt.Errorf("%s in %s is there already with other content, and is not replaced: move it away", name, f.Where)}
}

// place gives a file that was written its name, unless another has it.
func (f *Filing) place(ctx context.Context, v *Visit, temp, name string, sum *tally) error {
	same, err := sum.of(ctx, v, name)
	if errors.Is(err, fs.ErrNotExist) {
		if err = v.Rename(ctx, temp, name, false); errors.Is(err, fs.ErrExist) {
			same, err = sum.of(ctx, v, name)
		} else {
			return f.explained(err)
		}
	}
	switch {
	case errors.Is(err, errNoFile):
		return sinks.Unusable{Err: fmt.Errorf("%w: move it away", err)}
	case err != nil:
		return f.Explain(err)
	case !same:
		return f.errTaken(name)
	}
	return f.explained(v.Remove(ctx, temp))
}

// prove writes the manifest of a file, if there is to be one, and has all of it on the disk.
func (f *Filing) prove(ctx context.Context, v *Visit, name string, sum []byte) error {
	names := []string{name}
	if f.Manifest {
		names = append(names, manifestName(name))
		err := f.put(ctx, v, names[1], manifestLine(name, sum))
		var refused sinks.Refused
		if errors.As(err, &refused) {
			return f.errTaken(names[1])
		}
		if err != nil {
			return err
		}
	}
	_, err := v.Settle(ctx, names)
	return f.explained(err)
}

var errNoFile = errors.New("is no plain file")

// tally is the size and the sum of what is written to it.
type tally struct {
	hash.Hash
	size  int64
	alive func()
}

func newTally(alive func()) *tally { return &tally{Hash: sha256.New(), alive: alive} }

func (t *tally) Write(p []byte) (int, error) {
	if t.size += int64(len(p)); t.alive != nil {
		t.alive()
	}
	return t.Hash.Write(p)
}

// of says whether a file holds just what was written to the tally. However long the far side says or lets it be, no more is read.
func (t *tally) of(ctx context.Context, v *Visit, name string) (bool, error) {
	info, err := v.Stat(ctx, name)
	switch {
	case err != nil:
		return false, err
	case !info.Mode().IsRegular():
		return false, fmt.Errorf("%s %w", name, errNoFile)
	case info.Size() != t.size:
		return false, nil
	}
	file, err := v.Open(ctx, name)
	if err != nil {
		return false, err
	}
	there := newTally(t.alive)
	_, err = io.CopyBuffer(struct{ io.Writer }{there}, io.LimitReader(file, t.size+1), make([]byte, chunk))
	return there.size == t.size && bytes.Equal(there.Sum(nil), t.Sum(nil)), errors.Join(err, file.Close())
}

// openPlain opens a plain file. Anything else could wait for ever, or never end.
func openPlain(ctx context.Context, v *Visit, name string) (File, error) {
	info, err := v.Stat(ctx, name)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s %w", name, errNoFile)
	}
	return v.Open(ctx, name)
}
