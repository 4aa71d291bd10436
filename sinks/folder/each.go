package folder

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"strings"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/format"
)

// Unable says why entries cannot be delivered as they come, or nil: they are for closed files then.
func (f *Filing) Unable() error {
	switch {
	case f.Name == nil:
		return sinks.Unusable{Err: errors.New("the name of the files holds {batch}, and no closed period is set: set closed, or a name with {id}")}
	case !f.Choice.Can(format.OneByOne):
		return sinks.Unusable{Err: fmt.Errorf("the format %s is only for closed files, and no closed period is set: set closed, or another format", f.Choice.Format)}
	}
	return nil
}

// Deliver writes one file for each entry, and gives how many are accepted: their files, and the names of those, are on the disk
// as far as the far side can say. Of the time that is left, half is for writing: what was written counts only once it is settled, and
// a slow share that got no time for that would have the same files looked at again and again.
func (f *Filing) Deliver(ctx context.Context, v *Visit, entries []record.Entry) (n int, err error) {
	var written []string
	var entryOf []int // which entry a name belongs to
	enough := halfOf(ctx)
	for n < len(entries) {
		if err = ctx.Err(); err != nil {
			break
		}
		if n > 0 && enough() {
			err = errSlow
			break
		}
		var names []string
		if names, err = f.one(ctx, v, entries[n]); err != nil {
			break
		}
		for _, name := range names {
			written, entryOf = append(written, name), append(entryOf, n)
		}
		n++
	}
	if len(written) == 0 {
		return n, err
	}
	if done, serr := v.Settle(ctx, written); serr != nil && done < len(written) {
		return entryOf[done], f.Explain(serr)
	}
	return n, err
}

// errSlow says that the rest is for another time.
var errSlow = fmt.Errorf("the share is slow: %w", context.DeadlineExceeded)

// halfOf gives what tells that half of the time that is left has passed; without an end it never has.
func halfOf(ctx context.Context) (passed func() bool) {
	end, limited := ctx.Deadline()
	half := time.Now().Add(time.Until(end) / 2)
	return func() bool { return limited && time.Now().After(half) }
}

// one writes the files of an entry and names them.
func (f *Filing) one(ctx context.Context, v *Visit, e record.Entry) ([]string, error) {
	name, body, err := f.Made(e)
	if err != nil {
		return nil, sinks.Refused{Err: err}
	}
	if err := f.put(ctx, v, name, body); err != nil {
		return nil, err
	}
	if !f.Manifest {
		return []string{name}, nil
	}
	sum := manifestName(name)
	if err := f.put(ctx, v, sum, manifestOf(name, body)); err != nil {
		return nil, err
	}
	return []string{name, sum}, nil
}

// Made gives the name and the content of an entry's file. An error says why there can be none.
func (f *Filing) Made(e record.Entry) (name string, body []byte, err error) {
	if name, err = f.Name.Render(e); err != nil {
		return "", nil, err
	}
	p, err := f.Format.Entry(e)
	if usual := f.Format.Ext(); p.Ext != "" && p.Ext != usual && strings.HasSuffix(name, usual) {
		name = strings.TrimSuffix(name, usual) + p.Ext
	}
	return name, p.Body, err
}

// put writes a file unless it is there already. Another file of that name is never replaced.
func (f *Filing) put(ctx context.Context, v *Visit, name string, body []byte) error {
	there, err := f.there(ctx, v, name, body)
	if err != nil || there {
		return err
	}
	err = f.write(ctx, v, name, body, false)
	if errors.Is(err, fs.ErrExist) { // it came in between
		if there, terr := f.there(ctx, v, name, body); terr != nil || there {
			return terr
		}
	}
	if err != nil {
		return f.Explain(err)
	}
	return nil
}

// there says whether a file is in its place already, flushed.
func (f *Filing) there(ctx context.Context, v *Visit, name string, body []byte) (bool, error) {
	info, err := v.Stat(ctx, name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return false, nil
	case err != nil:
		return false, f.Explain(err)
	case !info.Mode().IsRegular():
		return false, sinks.Refused{Err: fmt.Errorf("%s is there already and is no plain file", name)}
	case info.Size() != int64(len(body)):
		return false, other(name)
	}
	file, err := v.Open(ctx, name)
	if err != nil {
		return false, f.Explain(err)
	}
	held, err := io.ReadAll(io.LimitReader(file, int64(len(body))+1))
	if err := errors.Join(err, file.Close()); err != nil {
		return false, f.Explain(err)
	}
	if !bytes.Equal(held, body) {
		return false, other(name)
	}
	return true, nil // Settle flushes it: the last attempt may have ended before
}

func other(name string) error {
	return sinks.Refused{Err: fmt.Errorf("%s is there already with other content, and is not replaced", name)}
}

// write makes a file beside its place, has it on the disk, and gives it its name.
func (f *Filing) write(ctx context.Context, v *Visit, name string, body []byte, replace bool) (err error) {
	temp, file, err := v.create(ctx, path.Dir(name), f.Temp)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			_ = v.Remove(ctx, temp) // if it stays, the next attempt removes it
		}
	}()
	n, werr := file.Write(body)
	if werr == nil && n != len(body) { // by what a server says of itself
		werr = io.ErrShortWrite
	}
	if werr == nil {
		werr = file.Sync()
	}
	if err := errors.Join(werr, file.Close()); err != nil {
		return err
	}
	return v.Rename(ctx, temp, name, replace)
}
