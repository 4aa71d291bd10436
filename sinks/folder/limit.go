package folder

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"sync"
	"time"
)

// Limit gives each call to a far side a time of its own, and ends it by cutting the connection: protocols of files have no
// other way to take back what a server does not answer.
type Limit struct {
	Each time.Duration // how long one call may take
	Cut  func()        // ends the connection; it may be called more than once and from any goroutine
}

// Do runs one call. An error of it after the connection was cut says why it was.
func (l Limit) Do(ctx context.Context, call func(ctx context.Context) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	within, cancel := context.WithTimeout(ctx, l.Each)
	defer cancel()
	stop := context.AfterFunc(within, l.Cut)
	err := call(within)
	if stop() || err == nil {
		return err
	}
	if ctx.Err() != nil {
		return errors.Join(ctx.Err(), err)
	}
	return fmt.Errorf("no answer within %s: %w", l.Each, errors.Join(context.DeadlineExceeded, err))
}

// Parallel runs call for each name, a few at a time, and gives how many from the first on went well: what a connection can
// carry at once costs one wait rather than many.
func Parallel(names []string, call func(name string) error) (int, error) {
	const atOnce = 8
	errs := make([]error, len(names))
	turn := make(chan struct{}, atOnce)
	var all sync.WaitGroup
	for i, name := range names {
		turn <- struct{}{}
		all.Go(func() {
			defer func() { <-turn }()
			defer func() {
				if p := recover(); p != nil { // nobody above would: a server may say what the library does not expect
					errs[i] = fmt.Errorf("%s: the work failed inside (please report this): %v", name, p)
				}
			}()
			errs[i] = call(name)
		})
	}
	all.Wait()
	for i, err := range errs {
		if err != nil {
			return i, err
		}
	}
	return len(names), nil
}

// Flush has files on the far side's disk by their names, each opened for writing, and gives how many from the first on are. ctx is
// that of the work that gave them their names: one that is gone although the work goes on got its name over this connection, and
// whoever reads the folder has taken it away already.
func Flush(ctx context.Context, names []string, open func(name string) (File, error)) (int, error) {
	return Parallel(names, func(name string) error {
		f, err := open(name)
		if errors.Is(err, fs.ErrNotExist) && ctx.Err() == nil {
			return nil
		}
		if err != nil {
			return err
		}
		return errors.Join(f.Sync(), f.Close())
	})
}
