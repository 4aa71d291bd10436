package port

import (
	"time"

	"golang.org/x/sys/windows"
)

// giveUpUnanswered ends a connection whose far side has confirmed nothing for the time: TCP_MAXRT, in seconds. It was compiled
// and not run.
func giveUpUnanswered(fd uintptr, after time.Duration) {
	_ = windows.SetsockoptInt(windows.Handle(fd), windows.IPPROTO_TCP, windows.TCP_MAXRT, int(after.Seconds()+0.5))
}
