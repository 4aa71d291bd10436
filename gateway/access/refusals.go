package access

import (
	"context"
	"net/netip"
	"strings"
	"sync"
	"time"
	"unicode"

	"weighpost/gateway/record"
)

const (
	refusedPeriod = time.Minute
	refusedRoom   = 64 // kinds of attempt that are told apart
	refusedBurst  = 20 // entries at once; in the long run one a minute, but for accounts that are locked
	refusedText   = 200
	refusedRetry  = 5 * time.Second
	endTime       = 2 * time.Second
	otherAttempts = "other addresses"
)

// refusals makes entries of attempts to sign in that failed, few enough that nobody can fill the disk by trying: the first of
// its kind at once, what comes within a minute in one entry with the count, and of all kinds together one a minute in the long
// run. Only the entry that says that an account is locked never waits.
type refusals struct {
	b    *Book
	wake chan struct{}

	mu     sync.Mutex
	by     map[refusal]*attempts
	budget float64
	filled time.Time
}

// refusal is a kind of attempt.
type refusal struct{ login, person, balance, address, way, why string }

type attempts struct {
	times  uint64
	locked bool
	from   record.UTC
	due    time.Time
}

func newRefusals(b *Book) *refusals {
	return &refusals{b: b, wake: make(chan struct{}, 1), by: map[refusal]*attempts{}, budget: refusedBurst, filled: b.o.Now()}
}

// note takes one attempt. It never waits.
func (r *refusals) note(k refusal, locked bool) {
	k.address, k.balance, k.why = plainAddress(k.address), harmless(k.balance), harmless(k.why)
	now := r.b.o.Stamp().UTC
	r.mu.Lock()
	defer r.mu.Unlock()
	a := r.by[k]
	if a == nil && len(r.by) >= refusedRoom && !locked {
		k = refusal{address: otherAttempts, way: k.way, why: "several causes: too many attempts to tell them apart"}
		a = r.by[k]
	}
	if a == nil {
		a = &attempts{due: r.b.o.Now()}
		r.by[k] = a
	}
	if a.times == 0 {
		a.from = now
	}
	a.times++
	a.locked = a.locked || locked
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

// plainAddress keeps an address to what one is.
func plainAddress(text string) string {
	if ip, err := netip.ParseAddr(text); err == nil {
		return ip.WithZone("").String()
	}
	return harmless(text)
}

// harmless keeps a text short, and free of what steers a terminal.
func harmless(text string) string {
	text = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return unicode.ReplacementChar
		}
		return r
	}, strings.ToValidUTF8(text[:min(len(text), 4*refusedText)], "\uFFFD"))
	if runes := []rune(text); len(runes) > refusedText {
		text = string(runes[:refusedText]) + "…"
	}
	return text
}

// run writes until ctx ends, and then what waits.
func (r *refusals) run(ctx context.Context) {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			r.write(ctx, r.take(r.b.o.Now(), true))
			return
		case <-r.wake:
		case <-timer.C:
		}
		r.write(ctx, r.take(r.b.o.Now(), false))
		timer.Reset(r.wait(r.b.o.Now()))
	}
}

// due is what is written now.
type due struct {
	kind refusal
	attempts
}

func (r *refusals) take(now time.Time, end bool) (list []due) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.budget = min(refusedBurst, r.budget+now.Sub(r.filled).Minutes())
	r.filled = now
	for k, a := range r.by {
		switch {
		case a.times == 0 && !now.Before(a.due):
			delete(r.by, k)
		case a.times == 0:
		case !end && !a.locked && (now.Before(a.due) || r.budget < 1):
		default:
			list = append(list, due{k, *a})
			r.budget = max(0, r.budget-1)
			a.times, a.locked, a.due = 0, false, now.Add(refusedPeriod)
		}
	}
	return list
}

// wait is how long nothing is due.
func (r *refusals) wait(now time.Time) time.Duration {
	r.mu.Lock()
	defer r.mu.Unlock()
	next := time.Hour
	for _, a := range r.by {
		next = min(next, max(a.due.Sub(now), 0))
	}
	if r.budget < 1 {
		next = max(next, time.Duration((1-r.budget)*float64(time.Minute))+time.Millisecond)
	}
	return next
}

// write appends, and takes back what could not be recorded.
func (r *refusals) write(ctx context.Context, list []due) {
	if len(list) == 0 {
		return
	}
	// Whoever ends this waits for what was handed over, so that no attempt is noted twice.
	_, err := r.b.changeWhile(context.WithoutCancel(ctx), func(_ *state, at record.Stamp) (bodies []record.Body, err error) {
		for _, d := range list {
			bodies = append(bodies, &record.SignInRefused{Login: d.kind.login, Person: d.kind.person, Balance: record.Bench(d.kind.balance),
				Address: d.kind.address, Way: d.kind.way, Why: d.kind.why, Times: d.times, Locked: d.locked, From: d.from, Stamp: at})
		}
		return bodies, nil
	}, nil)
	if err == nil {
		return
	}
	r.b.warn(ctx, err)
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, d := range list {
		a := r.by[d.kind]
		if a == nil {
			a = &attempts{}
			r.by[d.kind] = a
		}
		a.times, a.locked, a.from, a.due = a.times+d.times, a.locked || d.locked, d.from, r.b.o.Now().Add(refusedRetry)
		r.budget++
	}
}
