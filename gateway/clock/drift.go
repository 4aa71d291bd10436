package clock

import "time"

// Over how long the drift is seen: shorter says little, longer says too much about the past.
const (
	driftLeast = time.Hour
	driftMost  = 24 * time.Hour
)

// drift compares anchors far apart, and so sees what the raw clock really does.
type drift struct {
	from    *anchor
	ppm     *Drift // as last seen
	suspect *Drift // what the last contradiction would mean if it came of drift
}

// Drift is by how much the raw clock runs fast or slow, as two agreements far apart show it: PPM ± Within, in millionths.
// It runs slow where PPM is positive.
type Drift struct {
	PPM    float64 `json:"ppm"`
	Within float64 `json:"within_ppm"`
	Over   Seconds `json:"over_s"` // the time between the two
}

// exceeds says whether the clock certainly drifts more than declared.
func (d *Drift) exceeds(ppm int64) bool {
	return d != nil && max(d.PPM, -d.PPM)-d.Within > float64(ppm)
}

// drift is the drift that two anchors show.
func (a *anchor) drift(b *anchor) *Drift {
	over := b.raw - a.raw
	if over <= 0 {
		return nil
	}
	return &Drift{
		PPM:    float64(b.offset-a.offset) / float64(over) * 1e6,
		Within: float64(b.half+a.half) / float64(over) * 1e6, Over: Seconds(over),
	}
}

// anew forgets the anchors, after which the raw clock stood still, and keeps what was seen.
func (d *drift) anew() { *d = drift{ppm: d.ppm} }

// see takes a later anchor of the same life of the raw clock.
func (d *drift) see(a *anchor) {
	if d.from == nil {
		d.from = a
		return
	}
	over := a.raw - d.from.raw
	if over < driftLeast {
		return
	}
	d.ppm = d.from.drift(a)
	if over >= driftMost {
		d.from = a
	}
}

// contradict takes an anchor that contradicts the one before. That was a jump, unless the next contradiction tells of the same
// drift.
func (d *drift) contradict(a *anchor) {
	was := d.suspect
	d.suspect = nil
	if d.from != nil {
		d.suspect = d.from.drift(a)
	}
	if now := d.suspect; was != nil && now != nil && max(now.PPM-was.PPM, was.PPM-now.PPM) <= was.Within+now.Within {
		d.ppm = now
	}
	d.from = a
}
