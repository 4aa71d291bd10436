package access

import (
	"context"
	"sync"
	"time"

	"weighpost/gateway/access/session"
	"weighpost/gateway/record"
)

const (
	followEvery = 250 * time.Millisecond // so that the journal still has in memory what many balances print meanwhile
	noteEvery   = 2 * time.Second
	tellEvery   = 30 * time.Second
	saveEvery   = 10 * time.Minute
)

// Run ends sessions that are due and those of people who are gone from the directory, notes refusals and ends in the journal,
// and keeps conditions, until ctx ends; then it notes what is left. Sessions that were open when the last process ended are
// noted first as lost.
func (b *Book) Run(ctx context.Context) {
	select {
	case <-b.ready:
	default:
		if b.begin(ctx); b.failed == nil {
			b.warn(ctx, b.save(ctx))
		}
	}
	if b.failed != nil {
		b.tell()
		<-ctx.Done()
		return
	}
	b.noteLost(ctx)
	var parts sync.WaitGroup
	parts.Go(func() { b.sessions.Run(ctx) })
	parts.Go(func() { b.refusals.run(ctx) })
	parts.Go(func() { b.recheckAll(ctx) })
	b.turn(ctx)
	parts.Wait()
	limit, cancel := context.WithTimeout(context.WithoutCancel(ctx), endTime)
	defer cancel()
	b.noteEnds(limit)
}

// turn does what comes round.
func (b *Book) turn(ctx context.Context) {
	follow, note, tell, save := time.NewTicker(followEvery), time.NewTicker(noteEvery), time.NewTicker(tellEvery), time.NewTicker(saveEvery)
	defer follow.Stop()
	defer note.Stop()
	defer tell.Stop()
	defer save.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-b.ends.wake:
			b.noteEnds(ctx)
		case <-follow.C:
			err := b.follow(ctx)
			if b.warn(ctx, err); err != nil {
				follow.Reset(noteEvery)
			} else {
				follow.Reset(followEvery)
			}
		case <-note.C:
			b.noteEnds(ctx) // those that could not be noted before
			b.noteLost(ctx)
		case <-tell.C:
			b.tell()
		case <-save.C:
			b.warn(ctx, b.save(ctx))
		}
	}
}

func (b *Book) warn(ctx context.Context, err error) {
	if err != nil && ctx.Err() == nil {
		b.o.Log.Warn("people", "err", err)
	}
}

// Reload takes what another configuration says of people.
func (b *Book) Reload() {
	b.sessions.Reload()
	b.tell()
}

// ends are sessions that ended and are not in the journal yet.
type ends struct {
	mu     sync.Mutex
	list   []session.Ended
	unborn map[string]bool // sessions whose beginning could not be recorded
	wake   chan struct{}
	noting chan struct{} // holds a token while some are noted
}

// mostEnds bounds what waits while nothing can be recorded; the rest is found at the next start, as lost.
const mostEnds = 100_000

// ended is told by the table of each session that ended.
func (b *Book) ended(e session.Ended) {
	b.signings.end(e.ID)
	if b.o.Ended != nil {
		b.o.Ended(e.Person, e.ID, string(e.Cause))
	}
	b.ends.mu.Lock()
	defer b.ends.mu.Unlock()
	if b.ends.unborn[e.ID] {
		delete(b.ends.unborn, e.ID)
		return
	}
	if len(b.ends.list) < mostEnds {
		b.ends.list = append(b.ends.list, e)
	}
	select {
	case b.ends.wake <- struct{}{}:
	default:
	}
}

// noteEnds makes an entry of each session that ended, and returns when all that ended before are noted. What cannot be recorded now
// waits.
func (b *Book) noteEnds(ctx context.Context) {
	select {
	case b.ends.noting <- struct{}{}:
		defer func() { <-b.ends.noting }()
	case <-ctx.Done():
		return
	}
	b.ends.mu.Lock()
	list := b.ends.list
	b.ends.list = nil
	b.ends.mu.Unlock()
	for len(list) > 0 {
		now := list[:min(len(list), 100)]
		_, err := b.change(ctx, func(s *state, at record.Stamp) (bodies []record.Body, err error) {
			for _, e := range now {
				if _, open := s.Open[e.ID]; !open {
					continue // noted when somebody before gave up waiting
				}
				bodies = append(bodies, &record.SignedOut{Session: e.ID, Balance: record.Bench(e.Balance), Cause: string(e.Cause), Ended: e.By, By: e.Actor, Stamp: at})
			}
			return bodies, nil
		}, nil)
		if err != nil {
			b.warn(ctx, err)
			b.ends.mu.Lock()
			b.ends.list = append(list, b.ends.list...)
			b.ends.mu.Unlock()
			return
		}
		list = list[len(now):]
	}
}

// noteLost makes an entry of each session that was open when the process before this one ended: the table is gone with it.
func (b *Book) noteLost(ctx context.Context) {
	for len(b.lost) > 0 {
		now := b.lost[:min(len(b.lost), 100)]
		_, err := b.change(ctx, func(s *state, at record.Stamp) (bodies []record.Body, err error) {
			for _, id := range now {
				if o, still := s.Open[id]; still {
					bodies = append(bodies, &record.SignedOut{Session: id, Balance: record.Bench(o.Balance), Cause: string(session.Lost), By: o.Actor, Stamp: at})
				}
			}
			return bodies, nil
		}, nil)
		if err != nil {
			b.warn(ctx, err)
			return
		}
		b.lost = b.lost[len(now):]
	}
}
