// Package air keeps what instruments show of the air where balances stand: temperature, humidity and pressure, by place, the newest of each. It
// is in memory alone, as all that is live is: a start forgets it, and a reading is recorded only by the step of a run that takes it. It judges
// whether a reading can be of a laboratory's air at all, and whether it is young enough to be offered; what it means to a result is the
// procedure's business. It knows no balance and no run.
package air

import (
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"

	"weighpost/gateway/record"
)

const (
	// MostPlaces is of how many places readings are kept.
	MostPlaces = 64
	// Oldest is how old a reading may be when it comes. One that gets older is forgotten.
	Oldest = time.Hour
	// Ahead is how far the clock of whoever sends may be ahead of weighpost's: then the reading is of now.
	Ahead = 5 * time.Second
)

// Book has the newest readings. All of it may be called from any goroutine.
type Book struct {
	mu     sync.Mutex
	places map[string]map[string]record.AirReading // by place and by what was read
}

// New makes an empty book.
func New() *Book { return &Book{places: map[string]map[string]record.AirReading{}} }

// Put takes what an instrument shows at a place, in place of all that it showed there before. What another instrument shows of other things
// stays. The error is a *record.NotDone; its Field is what is wrong in what was sent, or "" where that came too late or finds no room.
func (b *Book) Put(place string, s record.AirShown, now time.Time) ([]record.AirReading, error) {
	at, err := momentOf(s.At, now)
	if err != nil {
		return nil, err
	}
	next, err := readingsOf(s, at)
	if err != nil {
		return nil, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.forget(now)
	held := b.places[place]
	if held == nil && len(b.places) >= MostPlaces {
		return nil, refused("", "readings of %d places are kept already, and no more are: wait until one of them has sent nothing for an hour", MostPlaces)
	}
	all := make(map[string]record.AirReading, len(quantities))
	for what, r := range held {
		if r.Instrument != s.Instrument {
			all[what] = r
		}
	}
	for what, r := range next {
		if h, known := held[what]; known && r != h && !r.At.Time().After(h.At.Time()) {
			return nil, refused("", "the %s at %s of %s, which %s sent, is known already: a reading of the same moment or an older one does not take its place", what, place, h.At, h.Instrument)
		}
		all[what] = r
	}
	b.places[place] = all
	return inOrder(all), nil
}

// momentOf is when a reading was made.
func momentOf(at *record.UTC, now time.Time) (record.UTC, error) {
	t := now
	if at != nil {
		t = at.Time()
	}
	switch {
	case t.After(now.Add(Ahead)):
		return record.UTC{}, refused("at", "%s lies ahead of weighpost's clock: set the sender's clock right, or leave at out", record.UTC(t))
	case t.Before(now.Add(-Oldest)):
		return record.UTC{}, refused("at", "%s is more than an hour ago: what an instrument shows now is wanted", record.UTC(t))
	case t.After(now):
		t = now
	}
	return record.UTC(t.UTC().Truncate(time.Microsecond)), nil // as it is written, so that it is the same when it comes back
}

// Newest gives the newest reading of something at a place if it is no older than within; else nil, and why in a sentence.
func (b *Book) Newest(place, what string, now time.Time, within time.Duration) (r *record.AirReading, why string) {
	b.mu.Lock()
	found, known := b.places[place][what]
	b.mu.Unlock()
	age := now.Sub(found.At.Time())
	switch {
	case !known || age > Oldest:
		return nil, fmt.Sprintf("No instrument has sent the %s at %s in the last hour.", what, place)
	case age > within:
		return nil, fmt.Sprintf("What %s sent of the %s at %s is %s old, and %s is the most.", found.Instrument, what, place, inWords(age), inWords(within))
	case age < -Ahead: // the clock was set back since
		return nil, fmt.Sprintf("What %s sent of the %s at %s is stamped later than now.", found.Instrument, what, place)
	}
	return &found, ""
}

// inWords is a length of time for people, cut off.
func inWords(d time.Duration) string {
	if d < 2*time.Minute {
		return fmt.Sprintf("%d s", int(d.Seconds()))
	}
	return fmt.Sprintf("%d min", int(d.Minutes()))
}

// Place is a place with what is known of the air there.
type Place struct {
	Name     string
	Readings []record.AirReading
}

// All lists what is known and no older than Oldest, by place.
func (b *Book) All(now time.Time) (all []Place) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.forget(now)
	for _, name := range slices.Sorted(maps.Keys(b.places)) {
		all = append(all, Place{name, inOrder(b.places[name])})
	}
	return all
}

// forget drops what is too old for anything. The book is locked.
func (b *Book) forget(now time.Time) {
	for name, held := range b.places {
		maps.DeleteFunc(held, func(_ string, r record.AirReading) bool { return now.Sub(r.At.Time()) > Oldest })
		if len(held) == 0 {
			delete(b.places, name)
		}
	}
}

// inOrder lists readings in the order of quantities.
func inOrder(of map[string]record.AirReading) []record.AirReading {
	list := make([]record.AirReading, 0, len(of))
	for i := range quantities {
		if r, known := of[quantities[i].what]; known {
			list = append(list, r)
		}
	}
	return list
}
