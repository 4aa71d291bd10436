package port

import (
	"context"
	"sync"
	"time"
)

// trying is how whoever is not Line.Run learns of attempts to open the port, and has the next one made at once.
type trying struct {
	wake chan struct{} // somebody wants an attempt now

	mu    sync.Mutex
	ended chan struct{} // closed when the attempt ends that is being made, or comes next
	why   *Trouble      // of the last one; nil: it opened the port
}

func newTrying() trying {
	return trying{wake: make(chan struct{}, 1), ended: make(chan struct{})}
}

// tell says how an attempt ended.
func (a *trying) tell(why *Trouble) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.why = why
	close(a.ended)
	a.ended = make(chan struct{})
}

func (a *trying) last() *Trouble {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.why
}

func (a *trying) next() <-chan struct{} {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.ended
}

// Try has the port opened now where it waits for its next attempt, and returns once that attempt, or one that is being made, has
// ended: with nil where the port is open, with a *[Trouble], or with the cause of ctx's end, after which the attempt goes on. It
// changes nothing else: the port is opened again by itself, only later. It may be called from any goroutine.
func (l *Line) Try(ctx context.Context) error {
	ended := l.trying.next() // before the look at the port, so that nothing happens between the two
	if l.up() {
		return nil
	}
	select {
	case l.trying.wake <- struct{}{}:
	default: // somebody else has just asked
	}
	select {
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-ended:
	}
	if why := l.trying.last(); why != nil {
		return why
	}
	return nil
}

func (l *Line) up() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.port != nil
}

// pause waits for the next attempt: so long, or until somebody wants it now. Attempts are never closer together than the shortest
// wait, however many want one. It says whether ctx is still alive.
func (l *Line) pause(ctx context.Context, d time.Duration) bool {
	least := min(d, l.backoff.first)
	if !Wait(ctx, least) {
		return false
	}
	t := time.NewTimer(d - least)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-l.trying.wake:
	case <-t.C:
	}
	return true
}
