package toxic

import (
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
)

// Fault makes the network bad in one of eight ways, by turns: latency, little bandwidth, resets, links that end after some bytes either
// way, slow closing, half-open links, and down. mend ends it.
func (p *Proxy) Fault(t testing.TB, turn int, random *rand.Rand) (mend func()) {
	t.Helper()
	stream := []string{"upstream", "downstream"}[turn/8%2]
	switch turn % 8 {
	case 0:
		return p.Add(t, "latency", stream, `{"latency": 20, "jitter": 15}`)
	case 1:
		return p.Add(t, "bandwidth", stream, `{"rate": 20}`)
	case 2:
		return p.Add(t, "reset_peer", stream, fmt.Sprintf(`{"timeout": %d}`, random.IntN(40)))
	case 3:
		return p.Add(t, "limit_data", "upstream", fmt.Sprintf(`{"bytes": %d}`, 300+random.IntN(20_000)))
	case 4:
		return p.Add(t, "limit_data", "downstream", fmt.Sprintf(`{"bytes": %d}`, 50+random.IntN(2_000)))
	case 5:
		return p.Add(t, "slow_close", stream, `{"delay": 50}`)
	case 6:
		return p.Add(t, "timeout", stream, `{"timeout": 0}`)
	}
	p.Down()
	return sync.OnceFunc(func() { p.Up(t) })
}
