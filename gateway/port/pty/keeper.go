package pty

import "os"

// What follows is for whoever keeps a pseudo-terminal for other programs to open.

// Deserted says whether nobody has the slave open, and whether bytes that somebody sent wait at the master all the same. On
// Linux a slave that was never opened does not count as deserted: [Allow] opens it once. (On macOS this was not tried.)
func Deserted(master *os.File) (nobody, waiting bool, err error) { return deserted(master) }

// Clean throws away what waits to be read at the slave, so that the next who opens it does not find the lines of the one before.
// What was sent to the master stays.
func Clean(slave string) error { return clean(slave) }

// Raw says whether the terminal still leaves bytes as they are, which whoever has the slave open may change.
func Raw(master *os.File) (bool, error) { return isRaw(master) }

// Restore puts raw mode back. On Linux this needs nobody at the slave.
func Restore(master *os.File) error { return restore(master) }

// Allow lets this user open the slave, and members of the group with this number; below 0 for nobody else.
func Allow(slave string, group int) error { return allow(slave, group) }
