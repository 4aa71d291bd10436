package port

import (
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"weighpost/parsers/strict"
)

// TestTheConnectionIsProbed asks the kernel what it was told, since losing the far side silently needs a network to cut.
func TestTheConnectionIsProbed(t *testing.T) {
	server := newDeviceServer(t, "127.0.0.1:0")
	c := server.config()
	c.KeepAlive = strict.Duration(30 * time.Second)
	p := opened(t, c).(*tcp)
	raw, err := p.conn.SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range []struct {
		name               string
		level, which, want int
	}{
		{"keep-alive", unix.SOL_SOCKET, unix.SO_KEEPALIVE, 1},
		{"idle, s", unix.IPPROTO_TCP, unix.TCP_KEEPIDLE, 30},
		{"interval, s", unix.IPPROTO_TCP, unix.TCP_KEEPINTVL, 10},
		{"probes", unix.IPPROTO_TCP, unix.TCP_KEEPCNT, 3},
		{"no delay", unix.IPPROTO_TCP, unix.TCP_NODELAY, 1},
	} {
		_ = raw.Control(func(fd uintptr) {
			if got, err := unix.GetsockoptInt(int(fd), o.level, o.which); err != nil || got != o.want {
				t.Errorf("%s is %d, %v; want %d", o.name, got, err, o.want)
			}
		})
	}
}
