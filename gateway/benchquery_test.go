//go:build linux

package gateway_test

import (
	"fmt"
	"io"
	"net/http"
	"net/url"
	"path/filepath"
	"testing"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// BenchmarkAPIQuery asks the API of a daemon whose journal has 1,000,000 weighings, and whose index has taken them in, for pages
// of weighings, one request after the other. Reported for each list: median and
// 99th percentile of the whole request. Run it with -benchtime 500x.
func BenchmarkAPIQuery(b *testing.B) {
	const entries = 1_000_000
	s := newSite(b, 1, 1)
	fill(b, filepath.Join(s.dir, "journal"), entries)
	g, end := s.daemon(b)
	defer end()
	// The newest are read from the journal itself.
	for limit := time.Now().Add(5 * time.Minute); indexed(b, g) < entries-50_000; time.Sleep(100 * time.Millisecond) {
		if time.Now().After(limit) {
			b.Fatal("the index does not come to the end")
		}
	}
	for name, query := range map[string]string{"newest": "sort=-seq", "sample": "sample=LOT-77", "balance-down": "balance=b-7&sort=-seq", "none": "sample=nobody"} {
		b.Run(name, func(b *testing.B) {
			var times []time.Duration
			for b.Loop() {
				begin := time.Now()
				resp, err := http.Get(g.PageURL() + "api/v1/weighings?" + query)
				if err != nil {
					b.Fatal(err)
				}
				if _, err := io.Copy(io.Discard, resp.Body); err != nil || resp.StatusCode != http.StatusOK {
					b.Fatal(resp.StatusCode, err)
				}
				resp.Body.Close()
				times = append(times, time.Since(begin))
			}
			b.ReportMetric(float64(percentile(times, 50).Microseconds())/1000, "p50-ms")
			b.ReportMetric(float64(percentile(times, 99).Microseconds())/1000, "p99-ms")
		})
	}
	http.DefaultClient.CloseIdleConnections()
}

// indexed is how far the index has come.
func indexed(b *testing.B, g *gateway.Gateway) uint64 {
	b.Helper()
	l, err := g.ListEntries(b.Context(), url.Values{"limit": {"1"}})
	if err != nil {
		b.Fatal(err)
	}
	return l.Indexed
}

// fill makes a journal with weighings of twenty balances and a thousand samples.
func fill(b *testing.B, dir string, entries int) {
	b.Helper()
	j, err := journal.Open(b.Context(), journal.Options{Dir: dir, Site: "seed-bank"})
	if err != nil {
		b.Fatal(err)
	}
	begin := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	for n := 0; n < entries; {
		bodies := make([]record.Body, min(1000, entries-n))
		for i := range bodies {
			bodies[i] = &record.Weighing{Balance: record.Balance{ID: fmt.Sprintf("b-%d", 1+n%20), Identity: "confirmed"}, Frame: printLine(n),
				Value:   record.Value{Digits: fmt.Sprintf("%d.%03d", n/1000, n%1000), Unit: "g", PrintedUnit: "g", Kind: "net", Stability: "stable", Range: "in"},
				Stamp:   record.Stamp{UTC: record.UTC(begin.Add(time.Duration(n) * time.Second)), Zone: "+00:00", Clock: record.ClockUnchecked},
				Context: record.Context{Sample: &record.Learnt{ID: fmt.Sprintf("LOT-%d", n%1000), By: record.BySent}}, Trigger: "printed", Port: "port-1"}
			n++
		}
		if _, err := j.Append(b.Context(), bodies...); err != nil {
			b.Fatal(err)
		}
	}
	if err := j.Close(); err != nil {
		b.Fatal(err)
	}
}
