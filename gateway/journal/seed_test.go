package journal

import (
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
)

// rounds is how often a fault is tried: few by default, the full count under WEIGHPOST_LONG=1.
func rounds(few, many int) int {
	if os.Getenv("WEIGHPOST_LONG") != "" {
		return many
	}
	return few
}

// newSeed draws the seed of a test of random faults, prints it, and takes it from WEIGHPOST_SEED to repeat a run.
func newSeed(t *testing.T) (*rand.Rand, uint64) {
	t.Helper()
	seed := rand.Uint64()
	if s := os.Getenv("WEIGHPOST_SEED"); s != "" {
		var err error
		seed, err = strconv.ParseUint(s, 10, 64)
		must(t, err)
	}
	t.Logf("seed: WEIGHPOST_SEED=%d", seed)
	return rand.New(rand.NewPCG(seed, 1)), seed
}
