//go:build !race

package running

const raceDetector = false
