// Package leaks is tests only: a daemon is given secrets of every kind, each is used, right and wrong, and then everything that
// the daemon has written and said is searched for them.
package leaks
