package needs

import (
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"
)

// Kills is how often a test kills: as many rounds as it says, or 500 with WEIGHPOST_LONG=1. With it come the seed, which
// WEIGHPOST_SEED sets and the log tells, and what the random moments are drawn from.
func Kills(t testing.TB, rounds int) (int, uint64, *rand.Rand) {
	t.Helper()
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		rounds = 500
	}
	seed := uint64(time.Now().UnixNano())
	if s, err := strconv.ParseUint(os.Getenv("WEIGHPOST_SEED"), 10, 64); err == nil {
		seed = s
	}
	t.Logf("%d kills, WEIGHPOST_SEED=%d", rounds, seed)
	return rounds, seed, rand.New(rand.NewPCG(seed, 0))
}
