package screens

import (
	"slices"
	"sync"

	"weighpost/gateway/console"
)

// facts are a source that changes while a page is open.
type facts struct {
	mu  sync.Mutex
	now source
}

func (f *facts) set(s source) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.now = s
}

func (f *facts) change(how func(*source)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.now.balances = slices.Clone(f.now.balances)
	how(&f.now)
}

func (f *facts) get() source {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.now
}

func (f *facts) Balances() []console.Balance { return slices.Clone(f.get().balances) }
func (f *facts) Sinks() []console.Sink       { return f.get().sinks }
func (f *facts) Journal() console.Journal    { return f.get().journal }
func (f *facts) TimeFacts() console.Clock    { return f.get().clock }
