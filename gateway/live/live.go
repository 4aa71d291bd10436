// Package live fans the continuous stream out to screens. It is lossy on purpose: a slow reader loses readings and never
// delays the balance, the journal or another reader.
package live

import (
	"sync"
	"sync/atomic"

	"weighpost/gateway/record"
)

// Hub is one stream with any number of subscribers. The zero value is ready.
type Hub struct {
	mu      sync.RWMutex
	readers map[*Subscription]struct{}
	people  atomic.Int64 // readers that a person looks at
}

// Subscription is one reader's view of the stream.
type Subscription struct {
	C    <-chan record.Live
	c    chan record.Live
	lost atomic.Uint64
	hub  *Hub

	person bool // looks at it
}

// Publish hands r to every subscriber that has room. It never blocks.
func (h *Hub) Publish(r record.Live) {
	h.mu.RLock()
	defer h.mu.RUnlock()
	for s := range h.readers {
		if r.Answer != nil && !s.person {
			continue // it is for whoever stands there: what it tells of comes as entries
		}
		select {
		case s.c <- r:
		default:
			s.lost.Add(1)
		}
	}
}

// Subscribe begins a view with room for that many readings. Close ends it.
func (h *Hub) Subscribe(room int) *Subscription { return h.subscribe(room, false) }

// Watch is Subscribe for a screen that a person looks at.
func (h *Hub) Watch(room int) *Subscription { return h.subscribe(room, true) }

// Watched says whether a person looks at the stream. It never blocks.
func (h *Hub) Watched() bool { return h.people.Load() > 0 }

func (h *Hub) subscribe(room int, person bool) *Subscription {
	c := make(chan record.Live, max(room, 1))
	s := &Subscription{C: c, c: c, hub: h, person: person}
	if person {
		h.people.Add(1)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.readers == nil {
		h.readers = make(map[*Subscription]struct{})
	}
	h.readers[s] = struct{}{}
	return s
}

// Lost is how many readings this subscriber had no room for.
func (s *Subscription) Lost() uint64 { return s.lost.Load() }

// Close ends the view. The channel is not closed; nothing more is sent on it.
func (s *Subscription) Close() {
	s.hub.mu.Lock()
	defer s.hub.mu.Unlock()
	if _, open := s.hub.readers[s]; open && s.person {
		s.hub.people.Add(-1)
	}
	delete(s.hub.readers, s)
}
