package needs

import (
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"
)

// Rounds is how often a test does something to a server or a network: few times, or many with WEIGHPOST_LONG=1. With it comes what
// the random moments are drawn from; its seed, which WEIGHPOST_SEED sets, is told by the log.
func Rounds(t testing.TB, few, many int) (int, *rand.Rand) {
	t.Helper()
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		few = many
	}
	seed := uint64(time.Now().UnixNano())
	if s, err := strconv.ParseUint(os.Getenv("WEIGHPOST_SEED"), 10, 64); err == nil {
		seed = s
	}
	t.Logf("%d rounds, WEIGHPOST_SEED=%d", few, seed)
	return few, rand.New(rand.NewPCG(seed, 0))
}
