package port

import (
	"time"

	"golang.org/x/sys/unix"
)

// giveUpUnanswered ends a connection whose far side has confirmed nothing for the time: TCP_USER_TIMEOUT of tcp(7), which also
// says when the probes of an idle connection have been enough. It is an improvement that a system may refuse.
func giveUpUnanswered(fd uintptr, after time.Duration) {
	_ = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_USER_TIMEOUT, int(after.Milliseconds()))
}
