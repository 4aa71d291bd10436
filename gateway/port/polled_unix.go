//go:build unix

package port

import (
	"io"
	"os"
	"sync/atomic"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// polled reads from a descriptor that the runtime's poller watches, and notes when it was found empty.
type polled struct {
	raw     syscall.RawConn
	closed  atomic.Bool
	emptied time.Time
	busy    atomic.Bool // from before a read until the port was found empty again

	// Of the read in progress. The function is made once: a closure for each read would be garbage for each read.
	try    func(fd uintptr) bool
	into   []byte
	n      int
	err    error
	waited bool
}

func (r *polled) init(raw syscall.RawConn) {
	r.raw = raw
	r.try = func(fd uintptr) bool {
		r.busy.Store(true)
		for {
			before := time.Now() // what comes after this read finds nothing came after this time
			r.n, r.err = unix.Read(int(fd), r.into)
			switch r.err {
			case unix.EINTR:
				continue
			case unix.EAGAIN:
				r.emptied, r.waited = before, true
				r.busy.Store(false)
				return false
			}
			return true
		}
	}
}

func (r *polled) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, io.ErrShortBuffer
	}
	r.into, r.n, r.err, r.waited = p, 0, nil, false
	waited := r.raw.Read(r.try)
	r.into = nil
	switch {
	case waited == nil && r.n > 0:
		return r.n, nil
	case r.closed.Load():
		return 0, os.ErrClosed
	case waited != nil:
		return 0, waited // os.ErrDeadlineExceeded
	case r.err != nil:
		return 0, os.NewSyscallError("read", r.err)
	}
	return 0, io.EOF
}

// Emptied is when the reader last found the port empty, and whether the last read did.
func (r *polled) Emptied() (last time.Time, waited bool) { return r.emptied, r.waited }
