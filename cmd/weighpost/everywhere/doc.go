// Package everywhere is tests only: the whole program, killed at random while it delivers to every kind of destination at once, and with balances
// out of service before every kind.
package everywhere
