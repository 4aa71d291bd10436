package clock

import "time"

// Over how long the drift is seen: shorter says little, longer says too much about the past.
const (
	driftLeast = time.Hour
	driftMost  = 24 * time.Hour
)

// drift compares anchors far apart, and so sees what the raw clock really does.
type drift struct {
	from *anchor
	ppm  *Drift
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

func (d *drift) begin(a *anchor) { d.from = a }

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
	d.ppm = &Drift{
		PPM:    float64(a.offset-d.from.offset) / float64(over) * 1e6,
		Within: float64(a.half+d.from.half) / float64(over) * 1e6, Over: Seconds(over),
	}
	if over >= driftMost {
		d.from = a
	}
}
