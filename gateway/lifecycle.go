package gateway

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"
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

// sparing gives a clean-up the time that there is less d, which the clean-ups after it need.
func sparing(d time.Duration, undo func(context.Context) error) func(context.Context) error {
	return func(ctx context.Context) error {
		if deadline, ok := ctx.Deadline(); ok {
			inner, cancel := context.WithDeadline(ctx, deadline.Add(-d))
			defer cancel()
			ctx = inner
		}
		return undo(ctx)
	}
}

// within runs a clean-up that has no limit of its own, and leaves it behind when ctx ends.
func within(undo func() error) func(context.Context) error {
	return func(ctx context.Context) error {
		done := make(chan error, 1)
		go func() { done <- undo() }()
		select {
		case err := <-done:
			return err
		case <-ctx.Done():
			return fmt.Errorf("not ended in time: %w", ctx.Err())
		}
	}
}

// forSnapshots is what each of those may take that keep on disk what the journal says anyway.
const forSnapshots = 300 * time.Millisecond

// hasty runs a clean-up that only spares the next start some reading: where the disk is slow it is left behind, which is said
// and is no fault.
func (g *Gateway) hasty(name string, undo func(context.Context) error) func(context.Context) error {
	return func(ctx context.Context) error {
		inner, cancel := context.WithTimeout(ctx, forSnapshots)
		defer cancel()
		err := within(func() error { return undo(inner) })(inner)
		if inner.Err() == nil {
			return err
		}
		g.log.Warn("not written in time: the next start reads more of the journal", "what", name, "err", err)
		return nil
	}
}

// group runs tasks: goroutines that end when told to. Its clean-up tells them all and waits. The zero value is ready.
type group struct {
	mu    sync.Mutex
	tasks map[*task]struct{}
	ended bool // nothing is started any more
}

// task is one goroutine of a group that can also be ended by itself.
type task struct {
	cancel context.CancelFunc
	done   chan struct{}
}

// start runs f once the tasks before it have ended. f's context does not end with ctx: what must come to an end in good
// order is told by end or by the group's clean-up alone.
func (g *group) start(ctx context.Context, before []*task, f func(ctx context.Context)) *task {
	inner, cancel := context.WithCancel(context.WithoutCancel(ctx))
	t := &task{cancel: cancel, done: make(chan struct{})}
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.tasks == nil {
		g.tasks = make(map[*task]struct{})
	}
	g.tasks[t] = struct{}{}
	if g.ended {
		t.end()
	}
	go func() {
		defer g.forget(t)
		for _, b := range before {
			select {
			case <-b.done:
			case <-inner.Done():
				return
			}
		}
		f(inner)
	}()
	return t
}

func (g *group) forget(t *task) {
	t.cancel()
	close(t.done)
	g.mu.Lock()
	defer g.mu.Unlock()
	delete(g.tasks, t)
}

// end tells the task to end.
func (t *task) end() { t.cancel() }

// over says whether the task has ended.
func (t *task) over() bool {
	select {
	case <-t.done:
		return true
	default:
		return false
	}
}

// wait waits for the end as long as ctx allows.
func (t *task) wait(ctx context.Context) error {
	select {
	case <-t.done:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("not ended in time: %w", ctx.Err())
	}
}

// stop tells all tasks to end, and waits for them as long as ctx allows.
func (g *group) stop(ctx context.Context) error {
	g.mu.Lock()
	g.ended = true
	var all []*task
	for t := range g.tasks {
		t.end()
		all = append(all, t)
	}
	g.mu.Unlock()
	for _, t := range all {
		if err := t.wait(ctx); err != nil {
			return err
		}
	}
	return nil
}
