package index

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// shelf is a journal in memory.
type shelf struct {
	mu      sync.Mutex
	entries []record.Entry
	moved   chan struct{}
}

func newShelf() *shelf { return &shelf{moved: make(chan struct{})} }

func (s *shelf) add(entries ...record.Entry) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.entries = append(s.entries, entries...)
	close(s.moved)
	s.moved = make(chan struct{})
}

func (s *shelf) Head() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return uint64(len(s.entries))
}

func (s *shelf) Read(_ context.Context, after uint64, max int) ([]record.Entry, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if after >= uint64(len(s.entries)) {
		return nil, nil
	}
	rest := s.entries[after:]
	return rest[:min(max, len(rest))], nil
}

func (s *shelf) Wait(ctx context.Context, after uint64) error {
	for {
		s.mu.Lock()
		n, moved := uint64(len(s.entries)), s.moved
		s.mu.Unlock()
		if n > after {
			return nil
		}
		select {
		case <-moved:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// maker makes entries as a seed bank's journal has them.
type maker struct {
	r          *rand.Rand
	seq        uint64
	at         time.Time
	lots, runs int // how many there are
}

func newMaker(seed uint64) *maker {
	return &maker{r: rand.New(rand.NewPCG(seed, 1)), at: time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC), lots: 600, runs: 300}
}

// raw writes the next entry.
func (m *maker) raw() []byte {
	m.seq++
	m.at = m.at.Add(time.Duration(m.r.IntN(5_000_000)) * time.Microsecond)
	at := m.at
	switch m.r.IntN(200) {
	case 0: // a clock that was wrong
		at = at.Add(-time.Duration(m.r.IntN(100_000)) * time.Second)
	case 1:
		at = at.Add(time.Duration(m.r.IntN(10_000)) * time.Second)
	}
	stamp := at.Format("2006-01-02T15:04:05.000000Z")
	head := func(k record.Kind, id string) string {
		return fmt.Sprintf(`{"schema":%q,"id":"seed-bank/7qx3/%s","seq":%d,"site":"seed-bank"`, k.Schema(), id, m.seq)
	}
	at0 := fmt.Sprintf("@/%06d", m.seq)
	balance, person, lot := m.r.IntN(20), m.r.IntN(40), m.r.IntN(m.lots)
	switch n := m.r.IntN(1000); {
	case n < 30:
		return fmt.Appendf(nil, `%s,"balance":{"id":"b-%d"},"before":{"person":null,"sample":null},"after":{"person":{"id":"p-%02d","by":"scanned"},"sample":{"id":"LOT-%d","by":"scanned"}},"cause":"set","where":"port scanner","stamp":{"utc":%q}}`,
			head(record.KindContextChanged, at0), balance, person, lot, stamp)
	case n < 33:
		return fmt.Appendf(nil, `%s,"balance":{"id":"b-%d"},"frame":"AAECAwQ=","reason":"The line has 7 bytes where the layout has 12","port":"/dev/ttyUSB%d","stamp":{"utc":%q}}`,
			head(record.KindUnread, at0), balance, balance, stamp)
	case n < 34:
		return fmt.Appendf(nil, `%s,"from":"sha256:aa","to":"sha256:bb","changes":["page listen was 127.0.0.1:8080 and is 127.0.0.1:%d"],"stamp":{"utc":%q}}`,
			head(record.KindConfigured, at0), 8000+m.r.IntN(100), stamp)
	case n < 35:
		return fmt.Appendf(nil, `%s,"by":{"id":"p-%02d","by":"token"},"findings":"nothing unusual für Ähren %d","tree_size":%d,"stamp":{"utc":%q}}`,
			head(record.KindTrailReviewed, at0), person, m.r.IntN(50), m.seq-1, stamp)
	case n < 36:
		return fmt.Appendf(nil, `%s,"why":"an entry without a time"}`, head(record.KindDamage, at0))
	}
	run := "null"
	if m.r.IntN(4) == 0 {
		run = fmt.Sprintf(`{"id":"run-%d","by":"sent"}`, m.r.IntN(m.runs))
	}
	return fmt.Appendf(nil, `%s,"balance":{"id":"b-%d","serial":"0047-%03d","place":"Saatgutraum %d","capacity":"220 g","readability":"0.0001 g","identity":"confirmed"},`+
		`"value":{"digits":"%d.%04d","unit":"g","printed_unit":"g","kind":"net","stability":"stable","range":"in","auxiliary_digits":0},`+
		`"frame":"ICAgMTIuMzQ1MCBnDQo=","layout":"sha256:6b1f0e4f0c8f4d0aa7c1f2e3d4c5b6a798897a6b5c4d3e2f1a0b9c8d7e6f5a4b","trigger":"printed","port":"/dev/ttyUSB%d",`+
		`"stamp":{"utc":%q,"zone":"+01:00","bound_s":0.021,"clock":"checked","sources":3},`+
		`"context":{"person":{"id":"p-%02d","by":"scanned","since":%q},"sample":{"id":"LOT-%d","by":"scanned","since":%q},"method":{"id":"TSW","by":"typed"},"run":%s,"lot":null,"fields":{}},`+
		`"verdicts":[{"rule":"minimum-weight","pass":true,"limit":"0.0820 g"}],"fitness":{"state":"in service"},"software":{"version":"0.1.0","config":"sha256:bb"}}`,
		head(record.KindWeighing, fmt.Sprintf("b-%d/%06d", balance, m.seq/20)), balance, balance, balance, m.r.IntN(200), m.r.IntN(10000), balance, stamp, person, stamp, lot, stamp, run)
}

func (m *maker) entries(t testing.TB, n int) []record.Entry {
	t.Helper()
	list := make([]record.Entry, 0, n)
	for range n {
		e, err := record.ParseEntry(m.raw())
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, e)
	}
	return list
}

// seed is that of a random test, printed so that it can be given again in WEIGHPOST_SEED.
func seed(t testing.TB) uint64 {
	t.Helper()
	s := uint64(time.Now().UnixNano())
	if text := os.Getenv("WEIGHPOST_SEED"); text != "" {
		if _, err := fmt.Sscan(text, &s); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("WEIGHPOST_SEED=%d", s)
	return s
}

// times is how often something random is tried: n, or many with WEIGHPOST_LONG=1.
func times(n, many int) int {
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		return many
	}
	return n
}

// feedAll takes everything of a journal into its index, without pauses, as far as blocks reach.
func feedAll(t testing.TB, db *DB, j Journal) {
	t.Helper()
	f := &Feeder{DB: db, Journal: j, Log: discard, hurry: true}
	defer f.letGo()
	for {
		err := f.round(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if f.Journal.Head()-f.last() < uint64(blockSizes[0]) {
			return
		}
	}
}
