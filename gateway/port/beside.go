package port

import (
	"errors"
	"sync"
)

// Listener is told what comes from a port beside its Handler: before it, and again once the handler has dealt with it. Its
// methods are called from the goroutine that reads the port, so they must not wait for anything; Up and Down may also come from
// whoever calls Beside.
type Listener interface {
	// Up says that the port is open, Down that it went. They alternate, Up first.
	Up()
	Down()
	// Bytes hands over what was read; p is valid only during the call. Handled says that the handler has dealt with it since.
	Bytes(p []byte)
	Handled()
}

// beside holds who listens beside the handler.
type beside struct {
	mu       sync.Mutex
	listener Listener // nil for nobody
	up       bool
}

// Beside has another one told what comes from the port from now on, in place of the one before; nil for nobody. It may be
// called from any goroutine, also while the line runs. When it returns, the one before is told no more.
func (l *Line) Beside(next Listener) {
	b := &l.beside
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.up && b.listener != nil {
		b.listener.Down()
	}
	b.listener = next
	if b.up && next != nil {
		next.Up()
	}
}

func (b *beside) turn(up bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.up = up
	switch {
	case b.listener == nil:
	case up:
		b.listener.Up()
	default:
		b.listener.Down()
	}
}

func (b *beside) bytes(p []byte) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.listener != nil {
		b.listener.Bytes(p)
	}
}

func (b *beside) handled() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.listener != nil {
		b.listener.Handled()
	}
}

// Turns are those at the balance behind this line, for everybody who sends to it. They outlive a lost port.
func (l *Line) Turns() *Turns { return &l.turns }

// ErrListenOnly is what Line.Write says where the configuration has listen_only.
var ErrListenOnly = errors.New("nothing is sent: the configuration says listen_only for this port")
