// Package setuptest has a balance at the end of a cable for tests: its line is set one way, the port another, and what the
// port hears is worked out at the level of bits.
package setuptest

import (
	"context"
	"io"
	"os"
	"sync"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/port/uart"
)

// Balance prints, and answers a poll that it can read. Fill it in, and open its port with Open.
type Balance struct {
	Line   uart.Settings             // how the balance is set
	Print  func(n int) string        // its print number n, from 0 on
	Poll   string                    // what it answers with a print; "": nothing
	Stream time.Duration             // prints by itself, so often; 0: when Press is called
	Tells  bool                      // the driver says which characters were damaged; else they are passed on as they were sampled
	Server *uart.Settings            // the port is a device server that is set so, whatever it is opened with
	Refuse func(c port.Config) error // why the port cannot be set so; nil: it can

	mu    sync.Mutex
	n     int
	opens int
	wire  *wire // of the port that is open
}

// Open is a setup.Opener.
func (b *Balance) Open(_ context.Context, c port.Config) (port.Port, error) {
	if b.Refuse != nil {
		if err := b.Refuse(c); err != nil {
			return nil, err
		}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.opens++
	w := &wire{balance: b, at: uart.Settings{Speed: c.Speed, DataBits: c.DataBits, Parity: c.Parity, StopBits: c.StopBits},
		came: make(chan struct{}, 1), done: make(chan struct{})}
	if b.Server != nil {
		w.at = *b.Server
	}
	if b.wire != nil {
		panic("a test opened the port twice")
	}
	b.wire = w
	if b.Stream > 0 {
		go w.stream()
	}
	return w, nil
}

// Press presses the print key. What is printed while no port is open is lost.
func (b *Balance) Press() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.print()
}

// Glitch is what a line may do when its port is opened: a level that is low for a moment.
func (b *Balance) Glitch() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.wire != nil {
		b.wire.hears(uart.Settings{Speed: b.wire.at.Speed, DataBits: 8, Parity: "none", StopBits: 1}.Send([]byte{0xFE}, 1))
	}
}

// Presses is how often the balance has printed.
func (b *Balance) Presses() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.n
}

// IsOpen says whether a port was left open.
func (b *Balance) IsOpen() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.wire != nil
}

func (b *Balance) print() {
	text := b.Print(b.n)
	b.n++
	if b.wire != nil {
		b.wire.hears(b.Line.Send([]byte(text), 12))
	}
}

// Hear gives what a receiver makes of a text of the balance, for a driver that tells no damage.
func (b *Balance) Hear(text string, at uart.Settings) (heard []byte) {
	for _, c := range at.Receive(b.Line.Send([]byte(text), 12), true) {
		heard = append(heard, c.Value)
	}
	return heard
}

// wire is one open port.
type wire struct {
	balance *Balance
	at      uart.Settings
	came    chan struct{}
	done    chan struct{}
	once    sync.Once

	mu              sync.Mutex
	chars           []uart.Char
	until           time.Time
	damaged, breaks []int // of the last Read
}

func (w *wire) hears(wave uart.Wave) {
	w.mu.Lock()
	w.chars = append(w.chars, w.at.Receive(wave, true)...)
	w.mu.Unlock()
	select {
	case w.came <- struct{}{}:
	default:
	}
}

func (w *wire) stream() {
	tick := time.NewTicker(w.balance.Stream)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			w.balance.mu.Lock()
			if w.balance.wire == w {
				w.balance.print()
			}
			w.balance.mu.Unlock()
		case <-w.done:
			return
		}
	}
}

func (w *wire) Read(p []byte) (int, error) {
	for {
		n, err := w.take(p)
		if n > 0 || err != nil {
			return n, err
		}
		w.mu.Lock()
		wait := time.Until(w.until)
		w.mu.Unlock()
		if wait <= 0 {
			return 0, os.ErrDeadlineExceeded
		}
		timer := time.NewTimer(wait)
		select {
		case <-w.came:
		case <-timer.C:
		case <-w.done:
			timer.Stop()
			return 0, os.ErrClosed
		}
		timer.Stop()
	}
}

// take gives what has come.
func (w *wire) take(p []byte) (n int, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.damaged, w.breaks = nil, nil
	for len(w.chars) > 0 && n < len(p) {
		c := w.chars[0]
		w.chars = w.chars[1:]
		if c.Break && w.balance.Tells {
			w.breaks = append(w.breaks, n)
			continue
		}
		p[n] = c.Value
		if c.Damaged && w.balance.Tells {
			p[n] = 0
			w.damaged = append(w.damaged, n)
		}
		n++
	}
	if n == 0 && len(w.breaks) > 0 {
		return 0, port.ErrBreak
	}
	return n, nil
}

// Marks are those of the last Read.
func (w *wire) Marks() (damaged, breaks []int) { return w.damaged, w.breaks }

// Write reaches the balance as it is set.
func (w *wire) Write(p []byte) (int, error) {
	select {
	case <-w.done:
		return 0, io.ErrClosedPipe
	default:
	}
	var heard []byte
	for _, c := range w.balance.Line.Receive(w.at.Send(p, 12), true) {
		if c.Damaged || c.Break {
			return len(p), nil
		}
		heard = append(heard, c.Value)
	}
	if w.balance.Poll != "" && string(heard) == w.balance.Poll {
		w.balance.Press()
	}
	return len(p), nil
}

func (w *wire) SetReadDeadline(t time.Time) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.until = t
	return nil
}

func (w *wire) Close() error {
	w.once.Do(func() {
		close(w.done)
		w.balance.mu.Lock()
		w.balance.wire = nil
		w.balance.mu.Unlock()
	})
	return nil
}
