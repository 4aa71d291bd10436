package port

import (
	"time"

	"golang.org/x/sys/unix"
)

func (k *connection) prepare() {}

// unconfirmed asks for TCP_INFO of tcp(7). Where the server takes nothing, the system asks ever more seldom, every two minutes
// at the longest, and one question may just be on its way.
func (k *connection) unconfirmed() (u unconfirmed) {
	raw, err := k.SyscallConn()
	if err != nil {
		return u
	}
	_ = raw.Control(func(fd uintptr) {
		info, err := unix.GetsockoptTCPInfo(int(fd), unix.IPPROTO_TCP, unix.TCP_INFO)
		if err == nil {
			u = unconfirmed{sent: info.Unacked > 0, held: info.Notsent_bytes > 0, asked: info.Retransmits > 0 || info.Probes > 1,
				silent: time.Duration(info.Last_ack_recv) * time.Millisecond}
		}
	})
	return u
}
