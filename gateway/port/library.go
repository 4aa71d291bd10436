package port

import (
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"go.bug.st/serial"
)

// slice is how long the library may sit in one read. It bounds how long Close waits and how late a new deadline is seen.
const slice = 50 * time.Millisecond

// library adapts go.bug.st/serial, which differs from a Port in four ways: a read that times out gives 0 bytes and no
// error; a read of an unplugged port says "closed" at once, for ever; closing while somebody reads can hang when the freed
// descriptor is given to another port; a write has no limit.
type library struct {
	port     serial.Port
	claim    io.Closer // holds the lock against other programs
	limit    time.Duration
	closed   atomic.Bool
	deadline atomic.Int64 // of the next read, in ns of sinceStart; 0 = none
	emptied  time.Time
	waited   bool

	reading sync.Mutex // held while the library reads
	writing sync.Mutex // held while the library writes
	asking  sync.Mutex // held while the library is asked about modem lines
	dtrOff  atomic.Bool
	rtsOff  atomic.Bool
	close   func() error
}

var start = time.Now()

func openLibrary(c Config) (Port, error) {
	claim, err := claim(c.Address)
	if err != nil {
		return nil, explain(c, err)
	}
	p, err := serial.Open(c.Address, &serial.Mode{BaudRate: c.Speed, DataBits: c.DataBits, Parity: libraryParity[c.Parity], StopBits: libraryStop[c.StopBits]})
	if err == nil {
		if err = p.SetReadTimeout(slice); err != nil {
			p.Close()
		}
	}
	if err != nil {
		claim.Close()
		return nil, explain(c, err)
	}
	l := &library{port: p, claim: claim, limit: c.WriteTimeout.D()}
	l.close = sync.OnceValue(l.shut)
	return l, nil
}

var libraryParity = map[string]serial.Parity{ParityNone: serial.NoParity, ParityOdd: serial.OddParity, ParityEven: serial.EvenParity,
	ParityMark: serial.MarkParity, ParitySpace: serial.SpaceParity}

var libraryStop = map[int]serial.StopBits{1: serial.OneStopBit, 2: serial.TwoStopBits}

func (l *library) SetReadDeadline(t time.Time) error {
	if t.IsZero() {
		l.deadline.Store(0)
	} else {
		l.deadline.Store(max(1, int64(t.Sub(start))))
	}
	return nil
}

// atOnce is how long a read takes at the most that finds bytes waiting: one that takes longer had found none at first.
const atOnce = time.Millisecond

// tooQuick is how many reads in a row may come back empty long before their time; after that the port is taken for gone.
const tooQuick = 20

func (l *library) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, io.ErrShortBuffer
	}
	l.waited = false
	for quick := 0; quick < tooQuick; {
		before := time.Now()
		timeout := slice
		if d := l.deadline.Load(); d != 0 {
			timeout = time.Duration(d) - before.Sub(start)
			if timeout <= 0 {
				return 0, os.ErrDeadlineExceeded
			}
			timeout = min(max(timeout, time.Millisecond), slice)
		}
		n, err := l.readOnce(p, timeout)
		switch {
		case n > 0:
			if time.Since(before) >= atOnce {
				l.emptied, l.waited = before, true
			}
			return n, nil
		case l.closed.Load():
			return 0, os.ErrClosed
		case err != nil:
			return 0, err
		}
		l.emptied, l.waited = before, true
		if time.Since(before) < timeout/2 {
			quick++
		} else {
			quick = 0
		}
	}
	return 0, io.ErrNoProgress
}

// readOnce is one read of the library, with nobody closing its port meanwhile.
func (l *library) readOnce(p []byte, timeout time.Duration) (n int, err error) {
	l.reading.Lock()
	defer l.reading.Unlock()
	if l.closed.Load() {
		return 0, os.ErrClosed
	}
	defer func() {
		if recover() != nil { // descriptors past 1,023 do not fit into its set
			n, err = 0, errors.New("too many open files for the driver library: use the driver native, or fewer ports")
		}
	}()
	if err := l.port.SetReadTimeout(timeout); err != nil {
		return 0, err
	}
	n, err = l.port.Read(p)
	var port *serial.PortError
	if errors.As(err, &port) && port.Code() == serial.PortClosed {
		err = fmt.Errorf("%w: the device is gone", io.EOF)
	}
	return n, err
}

// Emptied is when the reader last found the port empty, and whether the last read did.
func (l *library) Emptied() (last time.Time, waited bool) { return l.emptied, l.waited }

// Write writes in a goroutine of its own, because the library's write cannot be freed by closing. If it does not come back
// in time, throwing away the output frees it; if even that does not, the goroutine ends when the device lets go, and no
// other write begins before.
func (l *library) Write(p []byte) (int, error) {
	if l.closed.Load() {
		return 0, os.ErrClosed
	}
	if !l.writing.TryLock() {
		return 0, os.ErrDeadlineExceeded
	}
	type result struct {
		n   int
		err error
	}
	done := make(chan result, 1)
	data := append([]byte(nil), p...)
	go func() {
		defer l.writing.Unlock()
		n := 0
		for n < len(data) {
			m, err := l.port.Write(data[n:])
			n += m
			if err != nil || m <= 0 || l.closed.Load() {
				done <- result{n, errors.Join(err, short(n, len(data)))}
				return
			}
		}
		done <- result{n, nil}
	}()
	limit := time.NewTimer(l.limit)
	defer limit.Stop()
	select {
	case r := <-done:
		return r.n, r.err
	case <-limit.C:
	}
	_ = l.port.ResetOutputBuffer()
	return 0, os.ErrDeadlineExceeded
}

func short(n, of int) error {
	if n < of {
		return io.ErrShortWrite
	}
	return nil
}

func (l *library) Close() error {
	l.closed.Store(true)
	return l.close()
}

// shut closes the library's port once nobody is inside it. A write that is stuck closes it when it ends.
func (l *library) shut() error {
	l.reading.Lock()
	defer l.reading.Unlock()
	finish := func() error {
		l.asking.Lock()
		defer l.asking.Unlock()
		return errors.Join(l.port.Close(), l.claim.Close())
	}
	if l.writing.TryLock() {
		defer l.writing.Unlock()
		return finish()
	}
	_ = l.port.ResetOutputBuffer()
	go func() {
		l.writing.Lock()
		defer l.writing.Unlock()
		_ = finish()
	}()
	return nil
}
