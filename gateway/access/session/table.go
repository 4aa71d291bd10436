package session

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Options is what a table needs.
type Options struct {
	Config func() Config
	Shifts func() ([]TimeOfDay, *time.Location) // when shifts end, and by which clocks; nil: never
	Now    func() time.Time                     // nil: time.Now
	// Ended is told of each end, once, from the goroutine that ended it, without any lock of the table held.
	Ended func(Ended)
}

// Table holds the sessions.
type Table struct {
	o    Options
	base time.Time
	// limits and shift are what the configuration said last. Find, which each request calls, takes no more than the read lock.
	limits atomic.Pointer[limits]

	mu       sync.RWMutex // guards the maps and each held.s
	bySecret map[[sha256.Size]byte]*held
	byID     map[string]*held
	people   map[string]int // sessions of each person
	benches  map[string]*held
}

// held is a session in the table.
type held struct {
	s      Session
	secret [sha256.Size]byte
	since  time.Time // with the monotonic clock
	shift  time.Time // when the shift ends, zero: never
	// The last use, by the monotonic clock (since the table was made) and by the wall clock: a computer that slept stops the one,
	// a clock that is set back the other.
	mono, wall atomic.Int64
}

// New makes an empty table.
func New(o Options) *Table {
	if o.Now == nil {
		o.Now = time.Now
	}
	t := &Table{
		o: o, base: o.Now(), bySecret: map[[sha256.Size]byte]*held{}, byID: map[string]*held{}, people: map[string]int{},
		benches: map[string]*held{},
	}
	t.readConfig()
	return t
}

func (t *Table) readConfig() {
	l := Config{}.limits()
	if t.o.Config != nil {
		l = t.o.Config().limits()
	}
	t.limits.Store(&l)
}

// Run ends what is due, until ctx ends.
func (t *Table) Run(ctx context.Context) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			t.Sweep()
		case <-ctx.Done():
			return
		}
	}
}

// Sweep ends what is due now.
func (t *Table) Sweep() {
	now := t.o.Now()
	t.endWhere(nil, now, func(h *held) Cause { return t.due(h, now) })
}

// Start signs somebody in and gives the secret, the only time that it is seen. At a bench (s.Balance) whoever else is signed in
// there is signed out (another-person). ErrFull where there is no room. ID, Since, Active and Until are filled in.
func (t *Table) Start(s Session) (Session, string, error) {
	id, secret := randomText(12), randomText(32)
	if id == "" || secret == "" {
		return s, "", fmt.Errorf("this computer gives no random numbers, and without them nobody can sign in")
	}
	now := t.o.Now()
	l := t.limits.Load()
	s.ID, s.Since, s.Active = id, now.UTC().Round(0), now.UTC().Round(0)
	h := &held{s: s, secret: sha256.Sum256([]byte(secret)), since: now}
	h.shift = t.nextShift(now)
	h.s.Until = earlier(s.Since.Add(l.absolute), h.shift)
	t.touch(h, now)

	var over []Ended
	var err error
	t.mu.Lock()
	if len(t.byID) >= l.all {
		over = t.takeWhere(now, func(h *held) Cause { return t.due(h, now) })
	}
	if len(t.byID) >= l.all {
		err = ErrFull
	} else {
		over = append(over, t.makeRoom(h, now, l.perPerson)...)
		t.put(h)
		s = h.s
	}
	t.mu.Unlock()
	t.tell(nil, over)
	if err != nil {
		return s, "", err
	}
	return s, secret, nil
}

// makeRoom takes out who must go for a new session: whoever is at the bench, and the person's least used where there are too many.
func (t *Table) makeRoom(h *held, now time.Time, perPerson int) (over []Ended) {
	if there, ok := t.benches[h.s.Balance]; ok && h.s.Balance != "" {
		cause := AnotherPerson
		if there.s.Person == h.s.Person {
			cause = Again
		}
		over = append(over, t.take(there, cmp.Or(t.due(there, now), cause), now))
	}
	for t.people[h.s.Person] >= perPerson {
		var oldest *held
		for _, other := range t.byID {
			if other.s.Person == h.s.Person && (oldest == nil || other.wall.Load() < oldest.wall.Load()) {
				oldest = other
			}
		}
		over = append(over, t.take(oldest, TooMany, now))
	}
	return over
}

func (t *Table) put(h *held) {
	t.bySecret[h.secret], t.byID[h.s.ID] = h, h
	t.people[h.s.Person]++
	if h.s.Balance != "" {
		t.benches[h.s.Balance] = h
	}
}

// take takes a session out: whoever does that tells of its end.
func (t *Table) take(h *held, c Cause, now time.Time) Ended {
	delete(t.bySecret, h.secret)
	delete(t.byID, h.s.ID)
	if t.people[h.s.Person]--; t.people[h.s.Person] <= 0 {
		delete(t.people, h.s.Person)
	}
	if t.benches[h.s.Balance] == h {
		delete(t.benches, h.s.Balance)
	}
	return Ended{Session: h.view(), Cause: c, At: now.UTC().Round(0)}
}

// takeWhere takes out every session for which why gives a cause, oldest first. The lock is held.
func (t *Table) takeWhere(now time.Time, why func(*held) Cause) (over []Ended) {
	for _, h := range t.byID {
		if c := why(h); c != "" {
			over = append(over, t.take(h, c, now))
		}
	}
	slices.SortFunc(over, func(a, b Ended) int { return cmp.Or(a.Since.Compare(b.Since), strings.Compare(a.ID, b.ID)) })
	return over
}

func (t *Table) endWhere(by *record.Actor, now time.Time, why func(*held) Cause) int {
	t.mu.Lock()
	over := t.takeWhere(now, why)
	t.mu.Unlock()
	t.tell(by, over)
	return len(over)
}

func (t *Table) tell(by *record.Actor, over []Ended) {
	for _, e := range over {
		if e.By = by; t.o.Ended != nil {
			t.o.Ended(e)
		}
	}
}

// Find gives the session of a secret, and counts as use of it. rights.ErrNoSession where there is none.
func (t *Table) Find(secret string) (Session, error) { return t.look(secret, true) }

// Peek gives the session of a secret and does not count as use: for a page that asks by itself.
func (t *Table) Peek(secret string) (Session, error) { return t.look(secret, false) }

func (t *Table) look(secret string, use bool) (Session, error) {
	if len(secret) > 128 {
		return Session{}, rights.ErrNoSession
	}
	key := sha256.Sum256([]byte(secret))
	now := t.o.Now()
	t.mu.RLock()
	h, ok := t.bySecret[key]
	if !ok {
		t.mu.RUnlock()
		return Session{}, rights.ErrNoSession
	}
	if t.due(h, now) == "" {
		if use {
			t.touch(h, now)
		}
		s := h.view()
		t.mu.RUnlock()
		return s, nil
	}
	id := h.s.ID
	t.mu.RUnlock()
	t.endWhere(nil, now, func(h *held) Cause { // it ended before anybody swept
		if h.s.ID != id {
			return ""
		}
		return t.due(h, now)
	})
	return Session{}, rights.ErrNoSession
}

// Renew gives a session another secret, at a change of what it may do: the one before is worth nothing from then on, so that
// whoever had it before gains nothing (session fixation). It may change Actor, Way and Must, and nothing else.
func (t *Table) Renew(id string, change func(*Session)) (Session, string, error) {
	secret := randomText(32)
	if secret == "" {
		return Session{}, "", fmt.Errorf("this computer gives no random numbers, and without them no session can be renewed")
	}
	now := t.o.Now()
	t.mu.Lock()
	defer t.mu.Unlock()
	h, ok := t.byID[id]
	if !ok || t.due(h, now) != "" {
		return Session{}, "", rights.ErrNoSession
	}
	if change != nil {
		next := h.s
		change(&next)
		h.s.Actor, h.s.Way, h.s.Must = next.Actor, next.Way, next.Must
	}
	delete(t.bySecret, h.secret)
	h.secret = sha256.Sum256([]byte(secret))
	t.bySecret[h.secret] = h
	t.touch(h, now)
	return h.view(), secret, nil
}

// Bench gives who is signed in at a balance.
func (t *Table) Bench(balance string) (Session, bool) {
	now := t.o.Now()
	t.mu.RLock()
	defer t.mu.RUnlock()
	h, ok := t.benches[balance]
	if !ok || t.due(h, now) != "" {
		return Session{}, false
	}
	return h.view(), true
}

// Present says that a balance is being used. It counts as use of the session there where the configuration says so.
func (t *Table) Present(balance string) {
	if !t.limits.Load().balanceCounts {
		return
	}
	now := t.o.Now()
	t.mu.RLock()
	defer t.mu.RUnlock()
	if h, ok := t.benches[balance]; ok && t.due(h, now) == "" {
		t.touch(h, now)
	}
}

// Lasting gives a session by its public id, as long as it lasts.
func (t *Table) Lasting(id string) (Session, bool) {
	now := t.o.Now()
	t.mu.RLock()
	defer t.mu.RUnlock()
	h, ok := t.byID[id]
	if !ok || t.due(h, now) != "" {
		return Session{}, false
	}
	return h.view(), true
}

// Use counts as use of a session that is known by its public id: its person did something at the bench.
func (t *Table) Use(id string) {
	now := t.o.Now()
	t.mu.RLock()
	defer t.mu.RUnlock()
	if h, ok := t.byID[id]; ok && t.due(h, now) == "" {
		t.touch(h, now)
	}
}

// Leave ends a session at a balance's bench: whoever was signed in there does not weigh there any more. One that is due ends for
// that cause. A session that is not at this bench goes on.
func (t *Table) Leave(id, balance string, c Cause) {
	now := t.o.Now()
	t.endWhere(nil, now, func(h *held) Cause {
		if h.s.ID != id || h.s.Balance != balance || balance == "" {
			return ""
		}
		return cmp.Or(t.due(h, now), c)
	})
}

// List gives the sessions of a person, or of everybody (""), the latest first.
func (t *Table) List(person string) []Session {
	now := t.o.Now()
	var all []Session
	t.mu.RLock()
	for _, h := range t.byID {
		if (person == "" || h.s.Person == person) && t.due(h, now) == "" {
			all = append(all, h.view())
		}
	}
	t.mu.RUnlock()
	slices.SortFunc(all, func(a, b Session) int { return cmp.Or(b.Since.Compare(a.Since), strings.Compare(a.ID, b.ID)) })
	return all
}

// End ends one session. False: there is none.
func (t *Table) End(id string, c Cause, by *record.Actor) bool {
	return t.endWhere(by, t.o.Now(), func(h *held) Cause {
		if h.s.ID == id {
			return c
		}
		return ""
	}) > 0
}

// EndPerson ends all sessions of a person but one ("": all), and says how many.
func (t *Table) EndPerson(person, but string, c Cause, by *record.Actor) int {
	return t.endWhere(by, t.o.Now(), func(h *held) Cause {
		if h.s.Person == person && h.s.ID != but {
			return c
		}
		return ""
	})
}

// EndAll ends every session, and says how many.
func (t *Table) EndAll(c Cause, by *record.Actor) int {
	return t.endWhere(by, t.o.Now(), func(*held) Cause { return c })
}

// Reload reads the configuration anew: ends that it moves count at once. A new shift's end counts from now on.
func (t *Table) Reload() {
	t.readConfig()
	now, l := t.o.Now(), t.limits.Load()
	t.mu.Lock()
	for _, h := range t.byID {
		h.shift = t.nextShift(now)
		h.s.Until = earlier(h.s.Since.Add(l.absolute), h.shift)
	}
	t.mu.Unlock()
	t.Sweep()
}

// due says why a session has ended by now, or "".
func (t *Table) due(h *held, now time.Time) Cause {
	l := t.limits.Load()
	idle := l.idle
	if h.s.Balance != "" {
		idle = l.benchIdle
	}
	unused := max(now.Sub(t.base)-time.Duration(h.mono.Load()), time.Duration(now.UnixNano()-h.wall.Load()))
	age := max(now.Sub(h.since), time.Duration(now.UnixNano()-h.since.UnixNano()))
	switch {
	case !h.shift.IsZero() && !now.Before(h.shift):
		return Shift
	case age >= l.absolute:
		return Absolute
	case unused >= idle:
		return Idle
	}
	return ""
}

func (t *Table) touch(h *held, now time.Time) {
	h.mono.Store(int64(now.Sub(t.base)))
	h.wall.Store(now.UnixNano())
}

func (h *held) view() Session {
	s := h.s
	s.Active = time.Unix(0, h.wall.Load()).UTC()
	return s
}

func earlier(a, b time.Time) time.Time {
	if b.IsZero() || a.Before(b) {
		return a
	}
	return b.UTC().Round(0)
}

// randomText gives so many random bytes as text, or "".
func randomText(n int) string {
	b := make([]byte, n)
	if _, err := rand.Read(b); err != nil {
		return ""
	}
	return hex.EncodeToString(b)
}
