//go:build linux || darwin

package port

import "golang.org/x/sys/unix"

// lock takes the port against a second program that asks in the same way, root included. It ends with the descriptor.
func lock(fd int) error {
	if err := unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB); err == unix.EWOULDBLOCK {
		return errHeld
	}
	return nil // a device that knows no locks is still usable
}
