package journal

import (
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"
)

func TestGrowthForecastsTheDaysThatAreLeft(t *testing.T) {
	const day = 24 * time.Hour
	begin := time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name   string
		size   func(at time.Duration) uint64 // after the begin
		every  time.Duration
		span   time.Duration
		free   uint64
		days   float64 // NaN: not known
		within float64
	}{
		{"30 MB a day, looked at each minute", func(d time.Duration) uint64 { return uint64(30e6 * d.Hours() / 24) }, time.Minute, 3 * day, 300e6, 10, 0.01},
		{"too early", func(d time.Duration) uint64 { return uint64(d) }, time.Minute, 59 * time.Minute, 1e9, math.NaN(), 0},
		{"nothing grows", func(time.Duration) uint64 { return 5e6 }, time.Hour, 3 * day, 1e9, math.NaN(), 0},
		{"sealing made it smaller", func(d time.Duration) uint64 { return 5e9 - uint64(d.Hours())*1e6 }, time.Hour, 3 * day, 1e9, math.NaN(), 0},
		{"so slow that it is no forecast", func(d time.Duration) uint64 { return uint64(d.Hours()) }, time.Hour, 3 * day, 1e9, math.NaN(), 0},
		{"a month of nothing, then a week of 100 MB a day", func(d time.Duration) uint64 {
			return uint64(max(0, (d-30*day).Hours()/24) * 100e6)
		}, time.Hour, 38 * day, 1e9, 10, 0.01},
		{"nights and days", func(d time.Duration) uint64 { // 24 MB a day, by day only
			whole, part := d/day, d%day
			return uint64(whole)*24e6 + uint64(min(part, 12*time.Hour).Hours()*2e6)
		}, time.Hour, 6 * day, 240e6, 10, 0.1},
	} {
		var g Growth
		for d := time.Duration(0); d <= c.span; d += c.every {
			g.Note(begin.Add(d), c.size(d))
		}
		days, known := g.Days(c.free)
		if known != !math.IsNaN(c.days) || known && math.Abs(days-c.days) > c.within*c.days {
			t.Errorf("%s: %v days (%v), want %v", c.name, days, known, c.days)
		}
		if len(g.sizes) > 170 {
			t.Errorf("%s: %d sizes are kept", c.name, len(g.sizes))
		}
	}
}

func TestSizeOfLeavesTheReserveOut(t *testing.T) {
	dir := t.TempDir()
	must(t, os.MkdirAll(filepath.Join(dir, "segments"), 0o750))
	for name, n := range map[string]int{dbName: 5000, "segments/1": 300, reserveName: 1 << 20} {
		must(t, os.WriteFile(filepath.Join(dir, name), make([]byte, n), 0o640))
	}
	if got, err := SizeOf(dir); err != nil || got != 5300 {
		t.Errorf("%d, %v", got, err)
	}
}
