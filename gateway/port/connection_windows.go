package port

import "golang.org/x/sys/windows"

// prepare has the system end a connection whose far side has confirmed nothing for the time: TCP_MAXRT, in seconds. It was
// compiled and not run.
func (k *connection) prepare() {
	if raw, err := k.SyscallConn(); err == nil {
		_ = raw.Control(func(fd uintptr) {
			_ = windows.SetsockoptInt(windows.Handle(fd), windows.IPPROTO_TCP, windows.TCP_MAXRT, int(k.limit.Seconds()))
		})
	}
}

func (k *connection) unconfirmed() unconfirmed { return unconfirmed{} }
