package dropped

import (
	"runtime"

	"golang.org/x/sys/unix"
)

// asUser calls f on a thread that touches files as another user, and ends it.
func asUser(uid int, f func() error) error {
	runtime.LockOSThread()
	if err := unix.Setfsuid(uid); err != nil {
		return err
	}
	return f()
}
