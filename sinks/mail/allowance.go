package mail

import (
	"sync"
	"time"
)

// allowance holds messages to so many an hour.
type allowance struct {
	most int
	span time.Duration // an hour
	mu   sync.Mutex
	sent []time.Time // within the last hour, oldest first
}

// left is how many messages may go out now, or how long it is until one may.
func (a *allowance) left(now time.Time) (n int, wait time.Duration) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.forget(now)
	if n = a.most - len(a.sent); n > 0 {
		return n, 0
	}
	// The oldest of those that have to go before one more may.
	return 0, max(a.sent[len(a.sent)-a.most].Add(a.span).Sub(now), a.span/3600)
}

// use notes that a message went out.
func (a *allowance) use(now time.Time) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.forget(now)
	a.sent = append(a.sent, now)
}

func (a *allowance) forget(now time.Time) {
	for len(a.sent) > 0 && (now.Sub(a.sent[0]) >= a.span || a.sent[0].After(now)) { // a clock that was set back forgives
		a.sent = a.sent[1:]
	}
}

func (a *allowance) all() []time.Time {
	a.mu.Lock()
	defer a.mu.Unlock()
	return append([]time.Time(nil), a.sent...)
}
