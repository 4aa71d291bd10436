package intake

import (
	"maps"
	"slices"
	"time"

	"weighpost/gateway/record"
)

// mostFields is how many free fields a balance's context can have at a time.
const mostFields = 32

var fixedItems = []string{record.ItemPerson, record.ItemSample, record.ItemMethod, record.ItemRun, record.ItemLot}

// heldItem is one item that was set.
type heldItem struct {
	id, by string
	since  record.UTC
	until  time.Time     // zero: no limit
	idle   time.Duration // 0: no limit
	used   time.Time     // set, or carried by what was recorded last
	uses   int           // left; below 0: no limit; 0: spent
	told   bool          // that it expired

	weighed   int       // how often, since it was set
	loaded    bool      // one of them had something on the pan
	weighedBy string    // who was held with it when it was weighed last
	label     time.Time // of a sample: when its label says that it is not to be weighed any more; zero: it does not say

	where           string           // the way it came
	actor           *record.Actor    // who set it, as far as known
	name, role, how string           // of a person
	shift           time.Time        // when the shift ends in which a person was set, or their session; zero: there are none
	session         string           // in which a person showed who they are; "": in none
	bench           bool             // that session is at this balance, and ends with the person here
	with            *heldItem        // the sample that brought it: it holds as long as that does; nil: none
	verdicts        []record.Verdict // what was unusual about it, and confirmed: its weighings say so
}

// learnt writes the item as records name it.
func (h *heldItem) learnt() *record.Learnt {
	return &record.Learnt{ID: h.id, By: h.by, Since: &h.since, Name: h.name, Role: h.role, How: h.how}
}

// ends is when the item expires, or zero.
func (h *heldItem) ends() time.Time {
	if h.idle == 0 {
		return h.until
	}
	return soonest(h.until, h.used.Add(h.idle))
}

// holds says whether the item is in force at a time after it was set.
func (h *heldItem) holds(at time.Time) bool {
	if h == nil || h.uses == 0 || h.with != nil && !h.with.holds(at) {
		return false
	}
	ends := h.ends()
	return ends.IsZero() || at.Before(ends)
}

// version is what came in force at a moment: an item, or none.
type version struct {
	m    moment
	item *heldItem
}

// track is one name of the context with what is in force and what was before it. One step back is enough: whatever needs
// more is refused.
type track struct{ now, before version }

// contexts is what one balance holds. It knows no clock and no lock.
type contexts map[string]*track

// set puts an item, or none, under a name.
func (c contexts) set(name string, v version) {
	t := c[name]
	if t == nil {
		t = &track{}
		c[name] = t
	}
	t.before, t.now = t.now, v
}

// pick gives the item that was in force at a moment, or nil. doubt says that it cannot be known: something was set at the
// same time.
func (c contexts) pick(name string, m moment) (item *heldItem, doubt bool) {
	t := c[name]
	if t == nil {
		return nil, false
	}
	v := t.now
	if !v.m.before(m) {
		v = t.before
		if !m.before(t.now.m) || !v.m.before(m) {
			return nil, t.now.item.holds(m.hi) || t.before.item.holds(m.hi)
		}
	}
	if !v.item.holds(m.hi) {
		return nil, false
	}
	return v.item, false
}

// names lists what is known, the fixed items first and then the fields by name.
func (c contexts) names() []string {
	fields := slices.DeleteFunc(slices.Sorted(maps.Keys(c)), func(n string) bool { return slices.Contains(fixedItems, n) })
	return append(slices.Clone(fixedItems), fields...)
}

// held gives the item in force now under a name, or nil.
func (c contexts) held(name string, at time.Time) *heldItem {
	if t := c[name]; t != nil && t.now.item.holds(at) {
		return t.now.item
	}
	return nil
}

// shown writes what is in force now as records name it.
func (c contexts) shown(at time.Time) record.Context {
	out := record.Context{Fields: map[string]string{}}
	for name := range c {
		if h := c.held(name, at); h != nil {
			out.Set(name, h.learnt())
		}
	}
	return out
}

// room says whether the fields that a request names find a place, and drops those that are of no use any more.
func (c contexts) room(named map[string]*record.ContextItem, at time.Time) bool {
	fields := 0
	for name, t := range c {
		if slices.Contains(fixedItems, name) || named[name] != nil {
			continue
		}
		if !t.now.item.holds(at) && !t.before.item.holds(at) {
			delete(c, name)
			continue
		}
		fields++
	}
	for name := range named {
		if !slices.Contains(fixedItems, name) {
			fields++
		}
	}
	return fields <= mostFields
}

// expired gives the items whose time has run out and was not told yet.
func (c contexts) expired(at time.Time) (names []string) {
	for _, name := range c.names() {
		t := c[name]
		if t == nil || t.now.item == nil || t.now.item.told || t.now.item.uses == 0 || t.now.item.with != nil {
			continue
		}
		if ends := t.now.item.ends(); !ends.IsZero() && !at.Before(ends) {
			names = append(names, name)
		}
	}
	return names
}

// ends is when the next item expires, or zero.
func (c contexts) ends() (next time.Time) {
	for _, t := range c {
		if h := t.now.item; h != nil && !h.told && h.uses != 0 && h.with == nil {
			next = soonest(next, h.ends())
		}
	}
	return next
}

// nowItem gives the latest item under a name, or nil.
func (c contexts) nowItem(name string) *heldItem {
	if t := c[name]; t != nil {
		return t.now.item
	}
	return nil
}
