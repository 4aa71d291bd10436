//go:build race

package running

// raceDetector says whether the program under test was built with the race detector, as the test itself.
const raceDetector = true
