package lines

import (
	"context"
	"fmt"
	"sync"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// stands is how long an offer holds after the last attempt to deliver: over the waits between attempts, and not for ever, since
// deliveries may have been stopped by a person.
const stands = 2 * time.Minute

// mostTaken bounds what is remembered of entries that were fetched after the attempt that offered them had ended.
const mostTaken = 4096

// offered is one line that a program may ask for.
type offered struct {
	id   string
	line []byte
	made time.Time // when the weighing was
}

// offer is what programs that ask can have. What is fetched between two attempts counts at the next one.
type offer struct {
	answering sync.Mutex // held while a program is answered: one at a time

	mu     sync.Mutex
	list   []offered
	until  time.Time
	taken  map[string]bool
	moved  chan struct{} // closed at each fetch
	newest *offered
}

func (o *offer) init() { o.taken, o.moved = map[string]bool{}, make(chan struct{}) }

// put offers lines in place of those before, but for those that were fetched already, and says how many of the first were.
func (o *offer) put(list []offered) (fetched int, moved <-chan struct{}) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for fetched < len(list) && o.taken[list[fetched].id] {
		fetched++
	}
	o.list = o.list[:0]
	for _, one := range list[fetched:] {
		if !o.taken[one.id] {
			o.list = append(o.list, one)
		}
	}
	o.until = time.Now().Add(stands)
	return fetched, o.moved
}

// counted forgets what the cursor has passed.
func (o *offer) counted(list []offered) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, one := range list {
		delete(o.taken, one.id)
	}
}

// first is the line that is next.
func (o *offer) first() (offered, bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if len(o.list) == 0 || time.Now().After(o.until) || len(o.taken) >= mostTaken {
		return offered{}, false
	}
	return o.list[0], true
}

// fetched notes that a program has a line.
func (o *offer) fetched(one offered) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.taken[one.id] = true
	if len(o.list) > 0 && o.list[0].id == one.id {
		o.list = o.list[1:]
	}
	close(o.moved)
	o.moved = make(chan struct{})
}

// answer gives a program that asked what it can have. A line that was not sent whole stays on offer.
func (s *Sink) answer(p *peer) {
	s.offer.answering.Lock()
	defer s.offer.answering.Unlock()
	one, has := s.offer.first()
	if s.cfg.Answer == Newest {
		s.offer.mu.Lock()
		if has = s.offer.newest != nil && time.Since(s.offer.newest.made) <= s.cfg.NewestFor.D(); has {
			one = *s.offer.newest
		}
		s.offer.mu.Unlock()
	}
	line := one.line
	if !has {
		if line = []byte(s.cfg.Nothing); len(line) == 0 {
			return
		}
	}
	_, err := s.write(context.Background(), p, line) // bounded by the limit for a line
	switch {
	case err != nil:
		s.log.Info("a program asked, and its answer could not be sent", "program", p.name, "why", err)
	case has && s.cfg.Answer == Next:
		s.offer.fetched(one)
	}
}

// offerAll offers entries and waits until all were fetched, or ctx ends.
func (s *Sink) offerAll(ctx context.Context, entries []record.Entry) (n int, err error) {
	for n < len(entries) && s.tooOld(entries[n]) {
		n++
	}
	var list []offered
	var bad error
	for _, e := range entries[n:] {
		line, err := s.words.line(e)
		if err != nil {
			bad = sinks.Refused{Err: err}
			break
		}
		list = append(list, offered{id: e.ID, line: line})
	}
	for {
		fetched, moved := s.offer.put(list)
		if fetched == len(list) {
			s.offer.counted(list)
			return n + fetched, bad
		}
		select {
		case <-moved:
		case <-ctx.Done():
			s.offer.counted(list[:fetched])
			return n + fetched, s.nobodyAsked(ctx)
		}
	}
}

// nobodyAsked says why lines are still on offer.
func (s *Sink) nobodyAsked(ctx context.Context) error {
	peers, _, trouble := s.state()
	switch {
	case unusable(trouble):
		return sinks.Unusable{Err: trouble}
	case len(peers) > 0:
		return fmt.Errorf("%s: no program has asked for the next weighing: %w", s.nature.Where, ctx.Err())
	case trouble != nil:
		return fmt.Errorf("%s: %w (%w)", s.nature.Where, trouble, ctx.Err())
	}
	return fmt.Errorf("%s: no program is there: %w", s.nature.Where, ctx.Err())
}

// show keeps the newest entry for whoever asks, in place of the one before. It is accepted with that.
func (s *Sink) show(entries []record.Entry) (n int, err error) {
	for i, e := range entries {
		line, err := s.words.line(e)
		if err != nil {
			return i, sinks.Refused{Err: err}
		}
		age, known := ageOf(e)
		if !known {
			continue
		}
		s.offer.mu.Lock()
		s.offer.newest = &offered{id: e.ID, line: line, made: time.Now().Add(-age)}
		s.offer.mu.Unlock()
	}
	return len(entries), nil
}
