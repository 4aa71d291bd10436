package console

import (
	"log/slog"
	"sync"
	"time"
)

const (
	attemptsLimit  = 10          // wrong tokens from one address in
	attemptsPeriod = time.Minute // this time
	attemptsRoom   = 256         // addresses that are told apart
)

// attempts counts wrong tokens by the address that they come from. A right token always gets through: a lab's own programs
// share an address with whatever else runs there, and must not be locked out by it. What is limited is how often a wrong one
// is answered and written to the log; guessing is hopeless by the token's length.
type attempts struct {
	mu   sync.Mutex
	by   map[string]*failures
	what string           // the line for the log; "": that of tokens
	now  func() time.Time // nil: time.Now
}

type failures struct {
	count int
	ends  time.Time
}

// wrong counts a wrong token, and says how long the address should wait: 0 where it is within the limit.
func (a *attempts) wrong(address string, log *slog.Logger) time.Duration {
	a.mu.Lock()
	defer a.mu.Unlock()
	now := time.Now()
	if a.now != nil {
		now = a.now()
	}
	f := a.of(address, now)
	f.count++
	what := a.what
	if what == "" {
		what = "a request to change something was refused: it has no token, or a wrong one"
	}
	switch f.count {
	case 1:
		log.Warn(what, "from", address)
	case attemptsLimit + 1:
		log.Warn("more of that; no more is told until a minute has passed: "+what, "from", address)
	}
	if f.count > attemptsLimit {
		return f.ends.Sub(now)
	}
	return 0
}

// waits says how long an address has to wait before it is heard again: 0 where it is within the limit. It counts nothing.
func (a *attempts) waits(address string) time.Duration {
	a.mu.Lock()
	defer a.mu.Unlock()
	now := time.Now()
	if a.now != nil {
		now = a.now()
	}
	if f := a.of(address, now); f.count > attemptsLimit {
		return f.ends.Sub(now)
	}
	return 0
}

// of gives the failures of an address. When there are too many addresses, the rest share one place.
func (a *attempts) of(address string, now time.Time) *failures {
	if a.by == nil {
		a.by = make(map[string]*failures)
	}
	for k, f := range a.by {
		if !now.Before(f.ends) {
			delete(a.by, k)
		}
	}
	if a.by[address] == nil && len(a.by) >= attemptsRoom {
		address = "other addresses"
	}
	if a.by[address] == nil {
		a.by[address] = &failures{ends: now.Add(attemptsPeriod)}
	}
	return a.by[address]
}
