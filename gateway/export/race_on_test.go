//go:build race

package export_test

// underRace says that the race detector slows everything down about tenfold.
const underRace = true
