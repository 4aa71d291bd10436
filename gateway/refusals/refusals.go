// Package refusals makes entries of acts that were not allowed, few enough that nobody can fill the disk by trying.
//
// The first attempt from an address is an entry at once. What else comes from there within a minute is counted, and told by
// one more entry with the count. So many addresses are told apart; the rest share a place. And of all of them together no more
// than one entry a minute is made in the long run, and a few at once: the rest waits, and is counted meanwhile.
package refusals

import (
	"context"
	"log/slog"
	"strings"
	"sync"
	"time"
	"unicode"

	"weighpost/gateway/record"
)

const (
	period    = time.Minute
	room      = 64 // addresses that are told apart
	burst     = 20 // entries at once
	retry     = 5 * time.Second
	endTime   = 2 * time.Second // for what waits when it ends
	textLimit = 200             // characters of a text
	// Others stands for the addresses that are not told apart.
	Others = "other addresses"
)

// Journal makes entries durable.
type Journal interface {
	Append(ctx context.Context, bodies ...record.Body) ([]record.Entry, error)
}

// Book counts attempts and makes entries of them.
type Book struct {
	journal Journal
	stamp   func() record.Stamp
	log     *slog.Logger
	wake    chan struct{}

	mu     sync.Mutex
	by     map[string]*run
	budget float64
	filled time.Time
}

// run is what came from one address and is not told yet.
type run struct {
	last  record.Refused
	times uint64
	from  record.UTC
	due   time.Time
}

// New makes a book. Run has to run for anything to be written.
func New(j Journal, stamp func() record.Stamp, log *slog.Logger) *Book {
	return &Book{journal: j, stamp: stamp, log: log, wake: make(chan struct{}, 1), by: map[string]*run{}, budget: burst, filled: time.Now()}
}

// Note takes one attempt. It never waits. The texts may come from whoever tried: they are cut and made harmless.
func (b *Book) Note(what, address, why string, by record.Actor) {
	now := b.stamp()
	b.mu.Lock()
	defer b.mu.Unlock()
	address = harmless(address)
	r := b.by[address]
	if r == nil && len(b.by) >= room {
		address = Others
		r = b.by[address]
	}
	if r == nil {
		r = &run{due: time.Now()}
		b.by[address] = r
	}
	if r.times == 0 {
		r.from = now.UTC
	}
	r.times++
	by.Where = harmless(by.Where)
	r.last = record.Refused{What: harmless(what), Address: address, Why: harmless(why), By: by, Stamp: now}
	select {
	case b.wake <- struct{}{}:
	default:
	}
}

// harmless keeps a text short, and free of what steers a terminal.
func harmless(text string) string {
	const most = 4*textLimit + 1 // bytes that so many characters and one more can have
	text = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '\uFFFD'
		}
		return r
	}, strings.ToValidUTF8(text[:min(len(text), most)], "\uFFFD"))
	if runes := []rune(text); len(runes) > textLimit {
		text = string(runes[:textLimit]) + "…"
	}
	return text
}

// Run writes until ctx ends, and then what waits.
func (b *Book) Run(ctx context.Context) {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			limit, cancel := context.WithTimeout(context.WithoutCancel(ctx), endTime)
			defer cancel()
			b.write(limit, b.take(time.Now(), true))
			return
		case <-b.wake:
		case <-timer.C:
		}
		now := time.Now()
		b.write(ctx, b.take(now, false))
		timer.Reset(b.wait(now))
	}
}

// take gives the entries that are due, as far as the budget goes; all that is left where it is the end.
func (b *Book) take(now time.Time, end bool) (list []*record.Refused) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.budget = min(burst, b.budget+now.Sub(b.filled).Minutes())
	b.filled = now
	for address, r := range b.by {
		switch {
		case r.times == 0 && !now.Before(r.due):
			delete(b.by, address)
		case r.times == 0 || !end && (now.Before(r.due) || b.budget < 1):
		default:
			e := r.last
			e.Times, e.From = r.times, r.from
			list = append(list, &e)
			b.budget--
			r.times, r.due = 0, now.Add(period)
		}
	}
	return list
}

// wait is how long nothing is due.
func (b *Book) wait(now time.Time) time.Duration {
	b.mu.Lock()
	defer b.mu.Unlock()
	next := time.Hour
	for _, r := range b.by {
		next = min(next, max(r.due.Sub(now), 0))
	}
	if b.budget < 1 {
		next = max(next, time.Duration((1-b.budget)*float64(time.Minute))+time.Millisecond)
	}
	return next
}

// write appends, and takes back what could not be recorded.
func (b *Book) write(ctx context.Context, list []*record.Refused) {
	if len(list) == 0 {
		return
	}
	bodies := make([]record.Body, len(list))
	for i, e := range list {
		bodies[i] = e
	}
	if _, err := b.journal.Append(ctx, bodies...); err == nil {
		return
	} else if ctx.Err() == nil {
		b.log.Warn("refused acts are not in the journal yet", "acts", len(list), "err", err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, e := range list {
		r := b.by[e.Address]
		if r == nil {
			r = &run{last: *e}
			b.by[e.Address] = r
		}
		r.times, r.from, r.due = r.times+e.Times, e.From, time.Now().Add(retry)
		b.budget++
	}
}
