package index

import (
	"context"
	"fmt"
	"os"
	"slices"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// window is the end of a long journal.
type window struct {
	first   uint64 // sequence before entries
	entries []record.Entry
}

func (w *window) Head() uint64 { return w.first + uint64(len(w.entries)) }

func (w *window) Read(_ context.Context, after uint64, max int) ([]record.Entry, error) {
	rest := w.entries[after-w.first:]
	return rest[:min(max, len(rest))], nil
}

func (w *window) Wait(ctx context.Context, _ uint64) error { return ctx.Err() }

// BenchmarkListTenMillion measures lists over generated entries that went the way of all entries into an index: 200,000,
// ten million with WEIGHPOST_LONG=1, or as many as WEIGHPOST_ENTRIES says. It reports for each filter how long half of the
// lists, and 99 of 100, took at most, and what the index takes on the disk. Reading the entries themselves from journal.db
// is not in it: that is one look-up by sequence for each.
func BenchmarkListTenMillion(b *testing.B) {
	n := 200_000
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		n = 10_000_000
	}
	if text := os.Getenv("WEIGHPOST_ENTRIES"); text != "" {
		if _, err := fmt.Sscan(text, &n); err != nil {
			b.Fatal(err)
		}
	}
	db := OpenDB(b.TempDir())
	defer db.Close()
	m := newMaker(42)
	m.lots, m.runs = 50_000, 20_000
	first := m.at
	start := time.Now()
	making := fill(b, db, m, n)
	took := time.Since(start) - making
	info, err := os.Stat(db.name)
	if err != nil {
		b.Fatal(err)
	}
	b.Logf("%d entries: index of %d MB, %.1f bytes an entry, %.0f entries/s taken in", n, info.Size()>>20, float64(info.Size())/float64(n), float64(n)/took.Seconds())
	span := m.at.Sub(first)
	at := func(part float64) time.Time { return first.Add(time.Duration(part * float64(span))) }
	for _, c := range []struct {
		name string
		f    func(i int) Filter
		p    Page
	}{
		{"newest", func(int) Filter { return Filter{} }, Page{Down: true}},
		{"kind", func(int) Filter { return Filter{Kinds: []record.Kind{record.KindConfigured}} }, Page{Down: true}},
		{"kind that is none", func(int) Filter { return Filter{Kinds: []record.Kind{record.KindGap}} }, Page{Down: true}},
		{"balance", func(i int) Filter { return Filter{Balance: fmt.Sprintf("b-%d", i%20)} }, Page{Down: true}},
		{"person", func(i int) Filter { return Filter{Person: fmt.Sprintf("p-%02d", i%40)} }, Page{}},
		{"sample", func(i int) Filter { return Filter{Sample: fmt.Sprintf("LOT-%d", i*97%50_000)} }, Page{Down: true}},
		{"run", func(i int) Filter { return Filter{Run: fmt.Sprintf("run-%d", i*89%20_000)} }, Page{}},
		{"text", func(i int) Filter { return Filter{Text: fmt.Sprintf("lot %d", i*83%50_000)} }, Page{Down: true}},
		{"text that is nowhere", func(int) Filter { return Filter{Text: "nowhere"} }, Page{}},
		{"text prefix", func(i int) Filter { return Filter{Text: fmt.Sprintf("80%d*", i%100)} }, Page{}},
		{"span of time", func(i int) Filter { return Filter{From: at(float64(i%90) / 100), To: at(float64(i%90)/100 + 0.0001)} }, Page{}},
		{"span, by time", func(i int) Filter { return Filter{From: at(float64(i%90) / 100), To: at(float64(i%90)/100 + 0.1)} }, Page{ByTime: true, Down: true}},
		{"person, balance", func(i int) Filter {
			return Filter{Person: fmt.Sprintf("p-%02d", i%40), Balance: fmt.Sprintf("b-%d", i%20)}
		}, Page{Down: true}},
		{"balance, kind, span", func(i int) Filter {
			return Filter{Balance: fmt.Sprintf("b-%d", i%20), Kinds: []record.Kind{record.KindUnread}, From: at(0.1), To: at(0.9)}
		}, Page{Down: true}},
		{"sample, person that never met", func(i int) Filter { return Filter{Sample: fmt.Sprintf("LOT-%d", i%50_000), Person: "p-99"} }, Page{}},
		{"person, balance, text, by time", func(i int) Filter {
			return Filter{Person: fmt.Sprintf("p-%02d", i%40), Balance: "b-3", Text: "stable tsw"}
		}, Page{ByTime: true, Down: true}},
	} {
		b.Run(c.name, func(b *testing.B) {
			var times []time.Duration
			for i := 0; b.Loop(); i++ {
				start := time.Now()
				benchList(b, db, uint64(n), c.f(i), c.p)
				times = append(times, time.Since(start))
			}
			slices.Sort(times)
			b.ReportMetric(float64(times[len(times)/2].Microseconds())/1000, "p50-ms")
			b.ReportMetric(float64(times[len(times)*99/100].Microseconds())/1000, "p99-ms")
		})
	}
}

// benchList finds a page of 100 in the index.
func benchList(b *testing.B, db *DB, head uint64, f Filter, p Page) {
	p.Limit = 100
	err := db.use(b.Context(), nil, head, func(s *store, blocks []block) error {
		q := query{f: f, p: p, head: head, store: s, blocks: blocks, bare: true}
		q.narrow()
		return q.indexed(b.Context())
	})
	if err != nil {
		b.Fatal(err)
	}
}

// fill takes n entries into an index, and says how long it took to make them.
func fill(b *testing.B, db *DB, m *maker, n int) (making time.Duration) {
	w := &window{}
	f := &Feeder{DB: db, Journal: w, Log: discard, hurry: true}
	defer f.letGo()
	for done := 0; done < n; {
		size := min(blockSizes[len(blockSizes)-1], n-done)
		start := time.Now()
		w.first, w.entries = uint64(done), m.entries(b, size)
		making += time.Since(start)
		for done += size; done-int(f.last()) >= blockSizes[0]; {
			if err := f.round(b.Context()); err != nil {
				b.Fatal(err)
			}
		}
	}
	return making
}
