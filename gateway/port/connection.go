package port

import (
	"context"
	"fmt"
	"net"
	"sync"
	"time"
)

// connection is one to a device server. While it is idle the system probes it, and ends it when nobody answers. Where something
// was sent that the server never confirms the system probes nothing, and goes on trying for a quarter of an hour; that is
// watched here. A server that confirms and takes nothing, because flow control holds its balance back, is alive and is kept,
// which the option that some systems have for this would not do.
type connection struct {
	*net.TCPConn
	limit time.Duration // without a word from the server, and with something that waits for one

	mu    sync.Mutex
	timer *time.Timer // nil while nothing that was sent waits
	began time.Time   // of the waiting
	over  bool
	gone  bool
}

// dial connects to the device server.
func (c Config) dial(ctx context.Context) (*connection, error) {
	probes := keepAlive(c.KeepAlive.D())
	dialler := net.Dialer{Timeout: c.DialTimeout.D(), KeepAliveConfig: probes}
	conn, err := dialler.DialContext(ctx, "tcp", c.hostPort())
	if err != nil {
		return nil, err
	}
	k := &connection{TCPConn: conn.(*net.TCPConn), limit: unheard(probes)}
	k.prepare()
	return k, nil
}

// keepAlive notices a server that went without a word after idle and three unanswered probes: see unheard. The system counts
// in whole seconds.
func keepAlive(idle time.Duration) net.KeepAliveConfig {
	idle = wholeSeconds(idle)
	return net.KeepAliveConfig{Enable: true, Idle: idle, Interval: max(wholeSeconds(idle/3), time.Second), Count: 3}
}

func wholeSeconds(d time.Duration) time.Duration { return (d + time.Second - 1).Truncate(time.Second) }

// unheard is after how long without a word from the server the connection is given up: at the most twice the configured time
// and 3 s.
func unheard(k net.KeepAliveConfig) time.Duration { return k.Idle + time.Duration(k.Count)*k.Interval }

// Write sends, and has it watched whether the server confirms.
func (k *connection) Write(p []byte) (int, error) {
	n, err := k.TCPConn.Write(p)
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.timer == nil && !k.over {
		k.began = time.Now()
		k.timer = time.AfterFunc(k.soonest(k.unconfirmed().silent), k.look)
	}
	return n, err
}

// soonest is when it makes sense to look at a server that has been silent for some time.
func (k *connection) soonest(silent time.Duration) time.Duration {
	return max(k.limit-silent, k.limit/16)
}

// look gives the connection up, or looks again when there may be a reason to.
func (k *connection) look() {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.over {
		return
	}
	u := k.unconfirmed()
	asked := u.asked || u.sent && time.Since(k.began) >= k.limit/2 // on a slow way the system takes its time to ask
	switch {
	case !u.sent && !u.held:
		k.timer = nil
	case asked && u.silent >= k.limit:
		k.gone, k.over = true, true
		k.TCPConn.Close()
	default:
		k.timer.Reset(k.soonest(u.silent))
	}
}

// unconfirmed is what the system says of a connection, where it does.
type unconfirmed struct {
	sent   bool // something was sent and not confirmed
	held   bool // something was not sent yet, because the server takes nothing
	asked  bool // the server was asked again and has not answered
	silent time.Duration
}

func (k *connection) Close() error {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.over = true
	if k.timer != nil {
		k.timer.Stop()
	}
	return k.TCPConn.Close()
}

// why is the reason of an error, where that is known better here.
func (k *connection) why(err error) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if err != nil && k.gone {
		return fmt.Errorf("it has confirmed nothing that was sent to it for %s", k.limit)
	}
	return err
}
