//go:build !race

package export_test

const underRace = false
