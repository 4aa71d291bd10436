package port

import "golang.org/x/sys/unix"

// quiet looks for waiting bytes first, and for a reader at work second: bytes that a reader takes in between show it at
// work, since it says so before it reads.
func (r *polled) quiet() bool {
	waiting := 1
	err := r.raw.Control(func(fd uintptr) { waiting, _ = unix.IoctlGetInt(int(fd), unix.TIOCINQ) })
	return err == nil && waiting == 0 && !r.busy.Load()
}
