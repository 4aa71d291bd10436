package everywhere

import (
	"bytes"
	"fmt"
	"sync"
	"testing"

	"weighpost/gateway/record"
	"weighpost/sinks/sinktest/toxic"
)

// place is one destination: what the sink's configuration says of it, and what an outsider finds there.
type place struct {
	name   string
	config string       // the sink's keys, beside id and those that all have
	net    *toxic.Proxy // nil: nothing stands between
	jolt   func(t *testing.T)
	count  func(t *testing.T) int       // ids that are there
	read   func(t *testing.T) []arrival // all that came, in order of arrival where ordered
	// ordered says that the place tells in which order entries came. once says that it never shows an id twice.
	ordered, once bool
	short         int  // so many of the newest may be missing: a closed batch of that size plus one is not full yet
	live          bool // nobody acknowledges: what is missing is no loss
}

// arrival is one entry as it came.
type arrival struct {
	id   string
	body []byte // nil where the place holds another form, which digits stands for
	// digits is the weight as it came, for places with a form of their own.
	digits string
}

// taken is what came over a connection, in memory.
type taken struct {
	mu     sync.Mutex
	list   []arrival
	ids    map[string]bool
	faults []string
	copies int // said of themselves that they may be the second
}

func newTaken() *taken { return &taken{ids: map[string]bool{}} }

// take keeps an entry of which nothing but line ends was added.
func (k *taken) take(body []byte) {
	body = bytes.Clone(bytes.TrimRight(body, "\r\n"))
	e, err := record.ParseEntry(body)
	k.mu.Lock()
	defer k.mu.Unlock()
	if err != nil {
		k.faults = append(k.faults, fmt.Sprintf("what arrived is no entry: %v: %.300q", err, body))
		return
	}
	k.list, k.ids[e.ID] = append(k.list, arrival{id: e.ID, body: body}), true
}

func (k *taken) count(*testing.T) int {
	k.mu.Lock()
	defer k.mu.Unlock()
	return len(k.ids)
}

func (k *taken) read(t *testing.T) []arrival {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, f := range k.faults {
		t.Error(f)
	}
	return append([]arrival(nil), k.list...)
}

// judge holds what is at a place against what the journal holds: each id is there, unaltered, first arrivals in the journal's order.
func (p *place) judge(t *testing.T, journal map[string]kept, order []string) (again int) {
	t.Helper()
	last := map[string]uint64{}
	seen := map[string]bool{}
	for _, a := range p.read(t) {
		is, there := journal[a.id]
		switch {
		case !there:
			t.Errorf("%s: %s arrived and is not in the journal", p.name, a.id)
			continue
		case a.body != nil && !bytes.Equal(a.body, is.json):
			t.Errorf("%s: %s arrived altered:\n%.600q\nwhere the journal has\n%.600q", p.name, a.id, a.body, is.json)
		case a.body == nil && a.digits != is.digits:
			t.Errorf("%s: %s arrived with %q where the journal has %q", p.name, a.id, a.digits, is.digits)
		}
		if seen[a.id] {
			again++
			continue
		}
		seen[a.id] = true
		if p.ordered && is.seq <= last[is.balance] {
			t.Errorf("%s: %s (entry %d) arrived after entry %d of its balance", p.name, a.id, is.seq, last[is.balance])
		}
		last[is.balance] = max(last[is.balance], is.seq)
	}
	if p.once && again > 0 {
		t.Errorf("%s: %d are there twice", p.name, again)
	}
	p.complete(t, seen, order)
	return again
}

// complete finds what is missing. order is the ids of the journal, oldest first.
func (p *place) complete(t *testing.T, seen map[string]bool, order []string) {
	t.Helper()
	missing := 0
	for _, id := range order[:len(order)-min(p.short, len(order))] {
		if !seen[id] && !p.live {
			if missing++; missing <= 5 {
				t.Errorf("%s: %s is in the journal and did not arrive", p.name, id)
			}
		}
	}
	if missing > 5 {
		t.Errorf("%s: %d did not arrive", p.name, missing)
	}
	if len(seen) == 0 {
		t.Errorf("%s: nothing arrived", p.name)
	}
}
