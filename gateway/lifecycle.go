package gateway

import (
	"context"
	"errors"
	"fmt"
	"sync"
)

// lifecycle is what has been started and how to end it: a stack of named clean-ups, undone in reverse order.
type lifecycle struct{ steps []step }

type step struct {
	name string
	undo func(ctx context.Context) error
}

// onStop puts a clean-up on the stack.
func (l *lifecycle) onStop(name string, undo func(ctx context.Context) error) {
	l.steps = append(l.steps, step{name, undo})
}

// stop undoes everything, last first, also after one of the clean-ups failed. ctx is the limit for all of them together.
func (l *lifecycle) stop(ctx context.Context) error {
	var faults []error
	for len(l.steps) > 0 {
		last := l.steps[len(l.steps)-1]
		l.steps = l.steps[:len(l.steps)-1]
		if err := last.undo(ctx); err != nil {
			faults = append(faults, fmt.Errorf("stopping %s: %w", last.name, err))
		}
	}
	return errors.Join(faults...)
}

// group runs goroutines that end when told to. Its clean-up tells them and waits.
type group struct {
	cancel context.CancelFunc
	wg     sync.WaitGroup
}

// newGroup gives a group and the context that its goroutines live by. It does not end with ctx: what must come to an end in
// good order is told by the clean-up alone.
func newGroup(ctx context.Context) (*group, context.Context) {
	inner, cancel := context.WithCancel(context.WithoutCancel(ctx))
	return &group{cancel: cancel}, inner
}

func (g *group) run(f func()) { g.wg.Go(f) }

// stop tells all goroutines to end, and waits for them as long as ctx allows.
func (g *group) stop(ctx context.Context) error {
	g.cancel()
	done := make(chan struct{})
	go func() {
		defer close(done)
		g.wg.Wait()
	}()
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("not ended in time: %w", ctx.Err())
	}
}
