package port

import "golang.org/x/sys/unix"

// prepare has the system end a connection whose far side has confirmed nothing for the time: TCP_RXT_CONNDROPTIME of tcp(4), in
// seconds. It was compiled and not run.
func (k *connection) prepare() {
	if raw, err := k.SyscallConn(); err == nil {
		_ = raw.Control(func(fd uintptr) {
			_ = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_RXT_CONNDROPTIME, int(k.limit.Seconds()))
		})
	}
}

func (k *connection) unconfirmed() unconfirmed { return unconfirmed{} }
