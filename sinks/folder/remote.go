package folder

import (
	"context"
	"errors"
	"io"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// Remote is a sink over a folder that is reached over a network. It is used by one goroutine at a time, but for what
// sinks.Storer says.
//
// A connection is kept as long as all goes well, however slowly; after any error but a refusal the next delivery dials anew: sessions of
// a server that was started again stay dead.
type Remote struct {
	filing  Filing
	address string
	dial    func(context.Context) (FS, error)
	work    Guard
	storing *storing

	visit *Visit // belongs to the work under way
}

var (
	_ sinks.Collector    = (*Remote)(nil)
	_ sinks.Checkpointer = (*Remote)(nil)
	_ sinks.Storer       = (*Remote)(nil)
	_ sinks.Farther      = (*Remote)(nil)
	_ sinks.Witness      = (*Remote)(nil)
)

// NewRemote makes a sink. dial reaches the folder and gives errors as Explain does; it is called when something is to be done.
// address is the far side's host and port.
func NewRemote(f Filing, address string, dial func(context.Context) (FS, error)) *Remote {
	return &Remote{filing: f, address: address, dial: dial, storing: newStoring()}
}

// Far is the host and the port of the server.
func (r *Remote) Far() string { return r.address }

// Deliver writes one file for each entry.
func (r *Remote) Deliver(ctx context.Context, entries []record.Entry) (int, error) {
	if err := r.filing.Unable(); err != nil {
		return 0, err
	}
	if len(entries) == 0 {
		return 0, nil
	}
	return r.within(ctx, func(ctx context.Context, v *Visit) (int, error) { return r.filing.Deliver(ctx, v, entries) })
}

// Collect writes one file of a closed batch.
func (r *Remote) Collect(ctx context.Context, b sinks.Batch) ([]sinks.LeftOut, error) {
	left := make(chan []sinks.LeftOut, 1) // not a variable: work that was left alone may end later
	_, err := r.within(ctx, func(ctx context.Context, v *Visit) (int, error) {
		out, err := r.filing.Collect(ctx, v, b)
		left <- out
		return 0, err
	})
	if err != nil {
		return nil, err
	}
	return <-left, nil
}

// Checkpoint keeps one signed note.
func (r *Remote) Checkpoint(ctx context.Context, signedNote []byte) error {
	_, err := r.within(ctx, func(ctx context.Context, v *Visit) (int, error) {
		return 0, r.filing.Checkpoint(ctx, v, signedNote, time.Now())
	})
	return err
}

// Held looks through the folder.
func (r *Remote) Held(ctx context.Context, after uint64) (sinks.Held, error) {
	found := make(chan sinks.Held, 1)
	_, err := r.within(ctx, func(ctx context.Context, v *Visit) (int, error) {
		found <- r.filing.Held(ctx, v, after)
		return 0, nil
	})
	if err != nil {
		return sinks.Held{}, err
	}
	return <-found, nil
}

// within runs f in the folder, and keeps the connection for the next time unless it may be bad.
func (r *Remote) within(ctx context.Context, f func(context.Context, *Visit) (int, error)) (int, error) {
	return r.work.Do(ctx, func(ctx context.Context) (int, error) {
		if r.visit == nil {
			far, err := r.dial(ctx)
			if err != nil {
				return 0, err
			}
			r.visit = NewVisit(far)
		}
		sound := false
		defer func() {
			if !sound {
				_ = r.visit.Close() // what it holds is given up
				r.visit = nil
			}
		}()
		n, err := f(ctx, r.visit)
		var refused sinks.Refused
		sound = ctx.Err() == nil && (err == nil || errors.Is(err, errSlow) || errors.As(err, &refused))
		return n, err
	})
}

// Close lets go of the connection.
func (r *Remote) Close() error {
	return r.work.End(func() error {
		if r.visit == nil {
			return nil
		}
		v := r.visit
		r.visit = nil
		return v.Close()
	})
}

// storing lets one piece of work with kept files go on at a time, beside the deliveries.
type storing struct {
	turn chan struct{} // holds a token while somebody works
	work Guard
}

func newStoring() *storing { return &storing{turn: make(chan struct{}, 1)} }

// keep runs f over a connection of its own. keepOpen has it stay open when f ends well.
func (r *Remote) keep(ctx context.Context, keepOpen bool, f func(context.Context, *Visit) error) error {
	select {
	case r.storing.turn <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { <-r.storing.turn }()
	_, err := r.storing.work.Do(ctx, func(ctx context.Context) (int, error) {
		far, err := r.dial(ctx)
		if err != nil {
			return 0, err
		}
		err = f(ctx, NewVisit(far))
		if err != nil || !keepOpen || ctx.Err() != nil {
			_ = far.Close() // all that counts is flushed
		}
		return 0, err
	})
	return err
}

// Store implements sinks.Storer.
func (r *Remote) Store(ctx context.Context, name string, from io.Reader) error {
	if err := CheckKept(name); err != nil {
		return err
	}
	return r.keep(ctx, false, func(ctx context.Context, v *Visit) error { return r.filing.Store(ctx, v, name, from) })
}

// Fetch implements sinks.Storer. What it gives is read over a connection of its own, which Close ends.
func (r *Remote) Fetch(ctx context.Context, name string) (io.ReadCloser, error) {
	if err := CheckKept(name); err != nil {
		return nil, err
	}
	opened := make(chan io.ReadCloser, 1)
	err := r.keep(ctx, true, func(ctx context.Context, v *Visit) error {
		file, err := r.filing.Fetch(ctx, v, name)
		if err == nil {
			opened <- &fetched{file, v}
		}
		return err
	})
	select {
	case file := <-opened:
		if err == nil {
			return file, nil
		}
		_ = file.Close() // nobody reads it
	default:
	}
	return nil, err
}

// fetched ends its connection with it.
type fetched struct {
	io.ReadCloser
	visit *Visit
}

func (f *fetched) Close() error { return errors.Join(f.ReadCloser.Close(), f.visit.Close()) }

// Stored implements sinks.Storer.
func (r *Remote) Stored(ctx context.Context, prefix string) ([]sinks.StoredFile, error) {
	if err := CheckPrefix(prefix); err != nil {
		return nil, err
	}
	found := make(chan []sinks.StoredFile, 1)
	err := r.keep(ctx, false, func(ctx context.Context, v *Visit) error {
		list, err := r.filing.Stored(ctx, v, prefix)
		found <- list
		return err
	})
	if err != nil {
		return nil, err
	}
	return <-found, nil
}

// Remove implements sinks.Storer.
func (r *Remote) Remove(ctx context.Context, name string) error {
	if err := CheckKept(name); err != nil {
		return err
	}
	return r.keep(ctx, false, func(ctx context.Context, v *Visit) error { return r.filing.RemoveKept(ctx, v, name) })
}
