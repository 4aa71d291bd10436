// Package health holds the named conditions of the daemon: what is wrong, since when, and what to do about it. One cause is
// one condition, however many rooms notice it. Readiness, the page, the metrics and the status topic all read this list.
package health

import (
	"cmp"
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

// Condition is one thing that is wrong.
type Condition struct {
	Code     string    `json:"code"`    // stable name: "port-missing", "recording-stopped"
	Subject  string    `json:"subject"` // id of the balance, sink or part that it is about
	Severity Severity  `json:"severity"`
	Sentence string    `json:"sentence"` // what happened, where
	Remedy   string    `json:"remedy"`   // what to do
	Since    time.Time `json:"since"`
}

type key struct{ code, subject string }

// Board is the list of conditions that hold now. Its methods may be called from any goroutine.
type Board struct {
	mu      sync.Mutex
	now     func() time.Time
	holding map[key]Condition
	changed []func()
}

// New gives an empty board. now is the clock behind Since.
func New(now func() time.Time) *Board {
	return &Board{now: now, holding: make(map[key]Condition)}
}

// Raise says that a condition holds. Raising it again updates its words and keeps the time since which it holds.
func (b *Board) Raise(c Condition) {
	b.mu.Lock()
	k := key{c.Code, c.Subject}
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
	if !held || old != c {
		notify(tell)
	}
}

// Clear says that a condition no longer holds. Clearing one that does not hold does nothing.
func (b *Board) Clear(code, subject string) {
	b.mu.Lock()
	_, held := b.holding[key{code, subject}]
	delete(b.holding, key{code, subject})
	tell := b.changed
	b.mu.Unlock()
	if held {
		notify(tell)
	}
}

// OnChange has f called after every change, from the goroutine that made it. f must not block.
func (b *Board) OnChange(f func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.changed = append(slices.Clip(b.changed), f)
}

// List gives what holds now, errors first, then by age.
func (b *Board) List() []Condition {
	b.mu.Lock()
	list := make([]Condition, 0, len(b.holding))
	for _, c := range b.holding {
		list = append(list, c)
	}
	b.mu.Unlock()
	rank := map[Severity]int{Error: 0, Warning: 1, Notice: 2}
	slices.SortFunc(list, func(x, y Condition) int {
		return cmp.Or(cmp.Compare(rank[x.Severity], rank[y.Severity]), x.Since.Compare(y.Since),
			cmp.Compare(x.Code, y.Code), cmp.Compare(x.Subject, y.Subject))
	})
	return list
}

func notify(tell []func()) {
	for _, f := range tell {
		f()
	}
}
