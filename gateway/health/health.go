// Package health holds the named conditions of the daemon: what is wrong, since when, what it comes from, and what to do
// about it. One cause is one condition, however many rooms notice it: a condition may name others that it comes from, and
// while one of those holds it is listed under that one and not by itself. Readiness, the page, the metrics, the terminal and
// the status topic all read this list.
//
//	recording-stopped journal        listed
//	├─ readings-not-recorded b-01    told under it
//	└─ readings-not-recorded b-02
//
// Every code is declared in this package, with what follows from what; a test reads the sources and holds both.
package health

import (
	"cmp"
	"reflect"
	"slices"
	"sync"
	"time"
)

// Severity orders conditions.
type Severity string

const (
	Notice  Severity = "notice"  // worth knowing, nothing is missing
	Warning Severity = "warning" // something waits or is about to fail; nothing is lost yet
	Error   Severity = "error"   // something does not work now
)

var rank = map[Severity]int{Error: 0, Warning: 1, Notice: 2}

// Ref names a condition.
type Ref struct {
	Code    string `json:"code"`
	Subject string `json:"subject"`
}

// Condition is one thing that is wrong.
type Condition struct {
	Code     string    `json:"code"`    // stable name, one of this package's constants
	Subject  string    `json:"subject"` // id of the balance, sink or part that it is about
	Severity Severity  `json:"severity"`
	Sentence string    `json:"sentence"` // what happened, where
	Remedy   string    `json:"remedy"`   // what to do
	Since    time.Time `json:"since"`

	// From is what the condition may come from, nearest first; what always follows from a code stands in the table of kinds
	// and need not be named. A reference to a joint kind (such as a device server) makes one condition of all that name it.
	From []Ref `json:"-"`
	// Cause is what the condition comes from, as List found it: nil for one that is listed by itself.
	Cause *Ref `json:"cause,omitempty"`
	// Consequences holds what is told under a listed condition, at every depth: none of them has consequences of its own.
	Consequences []Condition `json:"consequences,omitempty"`
}

// Ref is the condition's name.
func (c *Condition) Ref() Ref { return Ref{c.Code, c.Subject} }

// Any says whether f holds for a condition or one of its consequences.
func (c *Condition) Any(f func(*Condition) bool) bool {
	if f(c) {
		return true
	}
	for i := range c.Consequences {
		if f(&c.Consequences[i]) {
			return true
		}
	}
	return false
}

// Board is the list of conditions that hold now. Its methods may be called from any goroutine.
type Board struct {
	mu      sync.Mutex
	now     func() time.Time
	holding map[Ref]Condition
	changed []func()
}

// New gives an empty board. now is the clock behind Since.
func New(now func() time.Time) *Board {
	return &Board{now: now, holding: make(map[Ref]Condition)}
}

// Raise says that a condition holds. Raising it again updates its words and keeps the time since which it holds. Cause and
// Consequences are List's to fill in.
func (b *Board) Raise(c Condition) {
	c.Cause, c.Consequences, c.From = nil, nil, slices.Clone(c.From)
	b.mu.Lock()
	k := c.Ref()
	old, held := b.holding[k]
	if c.Since.IsZero() {
		c.Since = b.now()
	}
	if held {
		c.Since = old.Since
	}
	b.holding[k] = c
	tell := b.changed
	b.mu.Unlock()
	if !held || !reflect.DeepEqual(old, c) {
		notify(tell)
	}
}

// Clear says that a condition no longer holds. Clearing one that does not hold does nothing. What came from it and still
// holds is listed by itself again.
func (b *Board) Clear(code, subject string) {
	b.mu.Lock()
	_, held := b.holding[Ref{code, subject}]
	delete(b.holding, Ref{code, subject})
	tell := b.changed
	b.mu.Unlock()
	if held {
		notify(tell)
	}
}

// ClearAll says that none of these conditions holds for the subject, as when it is no longer configured.
func (b *Board) ClearAll(subject string, codes ...string) {
	for _, code := range codes {
		b.Clear(code, subject)
	}
}

// OnChange has f called after every change, from the goroutine that made it. f must not block.
func (b *Board) OnChange(f func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.changed = append(slices.Clip(b.changed), f)
}

// List gives what holds now, one condition for each cause with its consequences under it: errors first, then by age.
func (b *Board) List() []Condition {
	b.mu.Lock()
	all := make([]Condition, 0, len(b.holding))
	for _, c := range b.holding {
		all = append(all, c)
	}
	b.mu.Unlock()
	list := fold(all)
	slices.SortFunc(list, worstFirst)
	return list
}

func worstFirst(x, y Condition) int {
	return cmp.Or(cmp.Compare(rank[x.Severity], rank[y.Severity]), x.Since.Compare(y.Since),
		cmp.Compare(x.Code, y.Code), cmp.Compare(x.Subject, y.Subject))
}

func notify(tell []func()) {
	for _, f := range tell {
		f()
	}
}
