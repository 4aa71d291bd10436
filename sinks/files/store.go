package files

import (
	"context"
	"errors"
	"io"

	"weighpost/sinks"
	"weighpost/sinks/folder"
)

var _ sinks.Storer = (*Sink)(nil)

// storing lets one piece of work with kept files go on at a time, beside the deliveries.
type storing struct {
	turn chan struct{} // holds a token while somebody works
	work folder.Guard
}

func newStoring() *storing { return &storing{turn: make(chan struct{}, 1)} }

// keep runs f in the folder, as it is now.
func (s *Sink) keep(ctx context.Context, f func(context.Context, *folder.Visit) error) error {
	select {
	case s.storing.turn <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { <-s.storing.turn }()
	_, err := s.storing.work.Do(ctx, func(ctx context.Context) (int, error) {
		root, _, err := s.enter()
		if err != nil {
			return 0, err
		}
		err = f(ctx, folder.NewVisit(local{root}))
		return 0, errors.Join(err, root.Close())
	})
	return err
}

// Store implements sinks.Storer.
func (s *Sink) Store(ctx context.Context, name string, r io.Reader) error {
	if err := folder.CheckKept(name); err != nil {
		return err
	}
	return s.keep(ctx, func(ctx context.Context, v *folder.Visit) error { return s.filing.Store(ctx, v, name, r) })
}

// Fetch implements sinks.Storer. Reading what it gives can wait for a share that does not answer.
func (s *Sink) Fetch(ctx context.Context, name string) (io.ReadCloser, error) {
	if err := folder.CheckKept(name); err != nil {
		return nil, err
	}
	opened := make(chan io.ReadCloser, 1) // not a variable: work that was left alone may end later
	err := s.keep(ctx, func(ctx context.Context, v *folder.Visit) error {
		f, err := s.filing.Fetch(ctx, v, name)
		if err == nil {
			opened <- f
		}
		return err
	})
	if err != nil {
		select {
		case f := <-opened:
			_ = f.Close()
		default:
		}
		return nil, err
	}
	return <-opened, nil
}

// Stored implements sinks.Storer.
func (s *Sink) Stored(ctx context.Context, prefix string) ([]sinks.StoredFile, error) {
	if err := folder.CheckPrefix(prefix); err != nil {
		return nil, err
	}
	found := make(chan []sinks.StoredFile, 1)
	err := s.keep(ctx, func(ctx context.Context, v *folder.Visit) error {
		list, err := s.filing.Stored(ctx, v, prefix)
		found <- list
		return err
	})
	if err != nil {
		return nil, err
	}
	return <-found, nil
}

// Remove implements sinks.Storer.
func (s *Sink) Remove(ctx context.Context, name string) error {
	if err := folder.CheckKept(name); err != nil {
		return err
	}
	return s.keep(ctx, func(ctx context.Context, v *folder.Visit) error { return s.filing.RemoveKept(ctx, v, name) })
}
