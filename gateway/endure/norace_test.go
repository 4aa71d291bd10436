//go:build !race

package endure

const slow = false
