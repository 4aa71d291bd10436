// Package atbench is tests only: a bench screen in a real browser, worked with the keyboard alone, before a whole daemon with a
// balance behind it.
package atbench
