package journal

import "time"

// pace makes fewer and larger commits of a dense stream. A commit costs the processors about as much as recording twenty
// weighings, whatever it holds, and 256 balances at ten lines a second would be one commit for every three or four of them.
// So the writer lets commits begin ten milliseconds apart, and twenty where that gathers very many, but only while it gathers
// more: hands that append again as soon as they have their answers would wait for nothing.
type pace struct {
	began   time.Time // the last commit
	gained  float64   // requests that came during a wait, on average of late
	skipped int       // waits forgone since the last one
}

const (
	paceApart  = 10 * time.Millisecond
	paceDense  = 12                   // requests gathered in a wait that make the next twice as long
	paceQuiet  = 2 * time.Millisecond // without a request ends a wait
	paceEnough = 128                  // requests that end it too
	paceGain   = 4                    // requests that make a wait worth it
	paceTrial  = 256                  // waits forgone until one is tried again
)

// wait says how long a batch of so many requests should wait for more.
func (p *pace) wait(requests int, now time.Time) time.Duration {
	apart := paceApart
	if p.gained >= paceDense {
		apart = 2 * paceApart
	}
	wait := apart - now.Sub(p.began)
	if requests < 2 || wait <= 0 {
		return 0
	}
	if p.gained < paceGain && p.skipped < paceTrial {
		p.skipped++
		return 0
	}
	p.skipped = 0
	return wait
}

// learn takes in how many requests a wait gathered.
func (p *pace) learn(more int) { p.gained += (float64(more) - p.gained) / 4 }
