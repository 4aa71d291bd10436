package port

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"
)

// LongestTurn is how long a turn can last at the most.
const LongestTurn = time.Minute

// mostWaiting is how many can wait for a turn at one balance. More than that is a fault of whoever asks, and is told so.
const mostWaiting = 64

// ErrCrowded is what Take says when too many are waiting for the same balance already.
var ErrCrowded = errors.New("too many are waiting to ask this balance. Ask less often, or wait longer for each answer")

// Turns gives one balance to one asker at a time: a balance answers without saying whom, so while one question is open
// nobody else may ask, and what comes meanwhile is the answer to whoever has the turn. Who came first is served first. A nil
// *Turns never makes anybody wait. Turns has no goroutine of its own.
type Turns struct {
	mu      sync.Mutex
	turn    *Turn     // whose turn it is, nil for nobody's
	waiting []*waiter // in the order they came
}

type waiter struct {
	turn  *Turn         // made by the one who waits; begins when ready is closed
	ready chan struct{} // closed under mu
}

// Turn is one asker's time alone with a balance.
type Turn struct {
	turns *Turns
	who   string
	limit time.Duration
	over  chan struct{} // closed when the turn has ended
	once  sync.Once
	timer *time.Timer
}

// Take waits until nobody else has the balance, and then gives it to who until Done is called or limit has passed,
// whichever comes first. A limit of nothing, or above [LongestTurn], is LongestTurn. The error is that of ctx where that ended
// first, and [ErrCrowded] where 64 are waiting already.
func (t *Turns) Take(ctx context.Context, who string, limit time.Duration) (*Turn, error) {
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("waiting for a turn at the balance: %w", err)
	}
	if limit <= 0 || limit > LongestTurn {
		limit = LongestTurn
	}
	if t == nil {
		t = new(Turns)
	}
	turn := &Turn{turns: t, who: who, limit: limit, over: make(chan struct{})}
	w, err := t.queue(turn)
	if err != nil {
		return nil, err
	}
	select {
	case <-w.ready:
		return turn, nil
	case <-ctx.Done():
		t.leave(w)
		return nil, fmt.Errorf("waiting for a turn at the balance: %w", ctx.Err())
	}
}

// queue begins the turn if the balance is free, and otherwise puts it behind those who wait.
func (t *Turns) queue(turn *Turn) (*waiter, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	w := &waiter{turn: turn, ready: make(chan struct{})}
	if t.turn == nil {
		t.begin(w)
		return w, nil
	}
	if len(t.waiting) >= mostWaiting {
		return nil, ErrCrowded
	}
	t.waiting = append(t.waiting, w)
	return w, nil
}

// begin is called with mu held.
func (t *Turns) begin(w *waiter) {
	t.turn = w.turn
	w.turn.timer = time.AfterFunc(w.turn.limit, w.turn.Done)
	close(w.ready)
}

// leave takes out one who no longer waits; a turn that had just begun ends.
func (t *Turns) leave(w *waiter) {
	t.mu.Lock()
	for i, other := range t.waiting {
		if other == w {
			t.waiting = append(t.waiting[:i], t.waiting[i+1:]...)
			t.mu.Unlock()
			return
		}
	}
	t.mu.Unlock()
	w.turn.Done()
}

// Holder is who has the balance now, "" for nobody.
func (t *Turns) Holder() string {
	if t == nil {
		return ""
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.turn == nil {
		return ""
	}
	return t.turn.who
}

// Done ends the turn: the next who waits has the balance when Done returns. It may be called more than once, from anywhere,
// and after the turn has ended by itself.
func (u *Turn) Done() {
	u.once.Do(func() {
		t := u.turns
		t.mu.Lock()
		defer t.mu.Unlock()
		u.timer.Stop()
		close(u.over)
		t.next()
	})
}

// next is called with mu held, when the turn that was has ended.
func (t *Turns) next() {
	t.turn = nil
	if len(t.waiting) == 0 {
		t.waiting = nil
		return
	}
	w := t.waiting[0]
	t.waiting = t.waiting[1:]
	t.begin(w)
}

// Over is closed when the turn has ended, by Done or by its limit: whoever had it may send nothing more.
func (u *Turn) Over() <-chan struct{} { return u.over }

// Who is the one whose turn it is.
func (u *Turn) Who() string { return u.who }
