package folder

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// Guard lets Deliver end when its context does, although a system call on a dead share cannot be interrupted. At most one
// piece of work is ever under way.
type Guard struct{ busy chan struct{} }

// Settle is how long work may take to notice that its context ended.
const Settle = 500 * time.Millisecond

// ErrStuck says that earlier work still hangs.
var ErrStuck = errors.New("the folder has not answered since an earlier attempt")

type outcome struct {
	n   int
	err error
}

// Do runs f. When ctx ends and f does not, f goes on alone: its outcome is dropped, which costs that entries come again.
func (g *Guard) Do(ctx context.Context, f func(context.Context) (int, error)) (int, error) {
	if !g.free(ctx) {
		return 0, errors.Join(ErrStuck, ctx.Err())
	}
	done, result := make(chan struct{}), make(chan outcome, 1)
	g.busy = done
	go func() {
		defer close(done)
		defer func() {
			if p := recover(); p != nil { // recording goes on, whatever a sink does
				result <- outcome{0, fmt.Errorf("writing failed inside (please report this): %v", p)}
			}
		}()
		n, err := f(ctx)
		result <- outcome{n, err}
	}()
	select {
	case o := <-result:
		<-done
		return o.n, o.err
	case <-ctx.Done():
	}
	late := time.NewTimer(Settle)
	defer late.Stop()
	select {
	case o := <-result:
		<-done
		return o.n, o.err
	case <-late.C:
		return 0, errors.Join(errors.New("the folder does not answer"), ctx.Err())
	}
}

// free waits for work that was left alone.
func (g *Guard) free(ctx context.Context) bool {
	if g.busy == nil {
		return true
	}
	select {
	case <-g.busy:
		return true
	default:
	}
	select {
	case <-g.busy:
		return true
	case <-ctx.Done():
		return false
	}
}

// End runs f when no work is under way. Work that hangs keeps what it holds until it returns or the process ends.
func (g *Guard) End(f func() error) error {
	ctx, cancel := context.WithTimeout(context.Background(), Settle)
	defer cancel()
	if !g.free(ctx) {
		return ErrStuck
	}
	return f()
}
