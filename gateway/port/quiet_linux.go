package port

import "golang.org/x/sys/unix"

// quiet looks for waiting bytes first, and for a reader at work second: bytes that a reader takes in between show it at
// work, since it says so before it reads.
func (r *polled) quiet() bool {
	waiting := 1
	err := r.raw.Control(func(fd uintptr) { waiting, _ = unix.IoctlGetInt(int(fd), unix.TIOCINQ) })
	return err == nil && waiting == 0 && !r.busy.Load()
}

// quiet is so only if nothing is kept for a Read, and what the last Read gave has been dealt with: somebody else may have
// read since and found nothing.
func (r *rfc2217) quiet() bool {
	if !r.polled.quiet() {
		return false
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.have) == 0 && !r.handed
}
