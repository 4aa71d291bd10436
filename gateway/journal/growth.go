package journal

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// Growth forecasts from a few sizes of the journal. The zero value knows nothing yet.
type Growth struct{ sizes []sizeAt }

type sizeAt struct {
	at    time.Time
	bytes uint64
}

// What a forecast stands on: a size an hour, for as long as a week, and never less than an hour.
const growthEvery, growthSpan = time.Hour, 7 * 24 * time.Hour

// Note takes the size of the journal at a time. Times must not run backwards; what lies less than an hour after the last that
// was kept is not kept.
func (g *Growth) Note(at time.Time, bytes uint64) {
	if n := len(g.sizes); n > 0 && at.Sub(g.sizes[n-1].at) < growthEvery {
		return
	}
	g.sizes = append(g.sizes, sizeAt{at, bytes})
	for len(g.sizes) > 2 && at.Sub(g.sizes[0].at) > growthSpan {
		g.sizes = g.sizes[1:]
	}
}

// PerDay gives the bytes a day by which the journal grew of late, and whether enough is known to say so. A journal that
// became smaller (entries were sealed) grows by nothing.
func (g *Growth) PerDay() (bytes float64, known bool) {
	n := len(g.sizes)
	if n < 2 {
		return 0, false
	}
	first, last := g.sizes[0], g.sizes[n-1]
	grown := max(0, float64(last.bytes)-float64(first.bytes))
	return grown * 24 * float64(time.Hour) / float64(last.at.Sub(first.at)), true
}

// Days gives the days until so many free bytes are used up at that rate, and whether that can be said. More than ten years
// is no forecast.
func (g *Growth) Days(free uint64) (days float64, known bool) {
	perDay, known := g.PerDay()
	if !known || perDay <= 0 {
		return 0, false
	}
	days = float64(free) / perDay
	return days, days < 3650
}

// SizeOf gives the bytes of all files in a journal's folder but the reserve. Files that come and go meanwhile do not matter.
func SizeOf(dir string) (bytes uint64, err error) {
	err = filepath.WalkDir(dir, func(name string, d fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err != nil || !d.Type().IsRegular() || d.Name() == reserveName {
			return err
		}
		if is, err := os.Lstat(name); err == nil {
			bytes += uint64(is.Size())
		}
		return nil
	})
	return bytes, err
}
