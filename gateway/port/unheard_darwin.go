package port

import (
	"time"

	"golang.org/x/sys/unix"
)

// giveUpUnanswered ends a connection whose far side has confirmed nothing for the time: TCP_RXT_CONNDROPTIME of tcp(4), in
// seconds. It was compiled and not run.
func giveUpUnanswered(fd uintptr, after time.Duration) {
	_ = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_RXT_CONNDROPTIME, int(after.Seconds()+0.5))
}
