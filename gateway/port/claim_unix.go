//go:build linux || darwin

package port

import (
	"io"
	"os"

	"golang.org/x/sys/unix"
)

// claim locks the device through a descriptor of its own, since the library does not give out its own one. It comes before
// the library opens the port, which then keeps others out with TIOCEXCL as well.
func claim(path string) (io.Closer, error) {
	f, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	raw, err := f.SyscallConn()
	if err == nil {
		var inner error
		err = raw.Control(func(fd uintptr) { inner = lock(int(fd)) })
		if err == nil {
			err = inner
		}
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}
