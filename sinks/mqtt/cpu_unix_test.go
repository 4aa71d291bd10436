//go:build unix

package mqtt

import (
	"syscall"
	"time"
)

// cpu is the time that this process has computed so far, the kernel's work for it included.
func cpu() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
