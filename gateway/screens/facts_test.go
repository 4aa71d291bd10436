package screens

import (
	"slices"
	"sync"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
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

// hostile is text from outside that tries to be markup.
const hostile = `<img src=x onerror="document.title='owned'"><b>LOT</b>`

// twoBalances are a balance that is well, and one whose port is gone.
func twoBalances() *facts {
	f := &facts{}
	f.set(source{balances: []console.Balance{
		{ID: "b-12", Place: "seed store " + hostile, Identity: "confirmed", Rule: "settled", Port: "/dev/ttyUSB0", PortUp: true, Frames: 30, Recorded: 7, Unread: 2, Damaged: 3,
			Unprotected: true, LastUnread: &console.UnreadFrame{UTC: record.UTC(time.Now()), Why: "half a line " + hostile, Frame: []byte("<b>\x02 9.3450 g\r\n\xff")},
			Context: []record.ContextHeld{}},
		{ID: "b-13", Identity: "unconfirmed", Rule: "printed", Port: "tcp://192.0.2.7:4001", Context: []record.ContextHeld{}},
	}, sinks: []console.Sink{{ID: "share", Kind: "files", State: "stopped", Why: hostile, Delivered: 5, Parked: 1, Lag: 3}}})
	return f
}

// grams is a weight as a balance prints it.
func grams(digits, stability string) *record.Value {
	return &record.Value{Digits: digits, Unit: "g", PrintedUnit: "g", Kind: "net", Stability: stability, Range: "in"}
}
