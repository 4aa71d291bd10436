//go:build race

package endure

// slow says that the child is many times slower, so that few rounds are enough: it is one process, and its races are found in the
// tests of its rooms.
const slow = true
