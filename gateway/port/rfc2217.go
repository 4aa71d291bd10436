package port

import (
	"context"
	"errors"
	"io"
	"os"
	"sync"
	"time"
)

// rfc2217 is a port of a device server whose serial line we set: Telnet with the option of RFC 2217.
//
// What the server says of itself stands between the bytes of the balance, so whoever reads the connection learns it. That is
// Read; and where nobody reads, whoever waits for an answer reads instead, and keeps the bytes for Read. The turn to read goes
// round by a channel.
type rfc2217 struct {
	reader
	conn  *connection
	cfg   Config
	want  comValues
	close func() error

	turn   chan struct{} // holds one; who has taken it reads, and has the next five
	telnet telnet
	batch  batch
	buf    []byte
	window damageWindow
	waited struct { // for the first of what Read has not got yet
		since time.Time
		whole bool
	}
	last struct { // of the last Read, for whoever called it
		emptied time.Time
		waited  bool
		marks   marks
	}

	mu       sync.Mutex
	changed  chan struct{} // closed at each change of what is below while somebody waits for one, and made anew
	awaited  int           // how many do
	options  options
	state    comState
	settled  bool      // the settings are confirmed: what comes now is the balance's
	have     []byte    // data for Read
	found    marks     // in have
	handed   bool      // the last bytes were handed over, and Read was not called again
	reading  bool      // Read waits for the connection
	deadline time.Time // of Read
	broken   error     // why nothing that comes can be trusted any more

	writing sync.Mutex
	owed    []byte // the rest of what was sent in part: it goes first
}

// mostReplies is how often a server may make us answer: more is a server that does nothing else.
const mostReplies = 64

// mostHave is how much is kept for a Read that does not come; after it the server is kept waiting.
const mostHave = 1 << 16

// readSlice is how long somebody who waits for an answer holds the turn at once.
const readSlice = 20 * time.Millisecond

func openRFC2217(ctx context.Context, c Config) (Port, error) {
	conn, err := c.dial(ctx)
	if err != nil {
		return nil, explain(c, err)
	}
	r := &rfc2217{conn: conn, cfg: c, want: c.comValues(), close: sync.OnceValue(conn.Close), turn: make(chan struct{}, 1), changed: make(chan struct{}),
		buf: make([]byte, 4096), window: damageWindow{latency: c.ReadLatency()}, state: newComState()}
	r.turn <- struct{}{}
	if err = r.reader.over(conn.TCPConn); err == nil {
		err = r.negotiate(ctx)
	}
	if err != nil {
		r.Close()
		var trouble *Trouble
		if errors.As(err, &trouble) {
			return nil, trouble
		}
		return nil, explain(c, err)
	}
	return r, nil
}

// Read gives the balance's bytes.
func (r *rfc2217) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, io.ErrShortBuffer
	}
	<-r.turn
	defer func() { r.turn <- struct{}{} }()
	for pumped := false; ; pumped = true {
		n, err := r.taken(p)
		if n > 0 || err != nil {
			r.last.emptied, r.last.waited = r.waited.since, pumped && r.waited.whole
			return n, err
		}
		if err := r.pump(time.Time{}); err != nil {
			return 0, err
		}
	}
}

// taken gives what there is for Read without reading.
func (r *rfc2217) taken(p []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	n := copy(p, r.have)
	r.have = r.have[:copy(r.have, r.have[n:])]
	r.found.take(&r.last.marks, n, len(r.have) == 0)
	r.handed = n > 0
	if n == 0 {
		return 0, r.last.marks.withoutByte()
	}
	return n, nil
}

// pump reads once, until the limit; without one until the deadline of Read. Whoever calls it has the turn.
func (r *rfc2217) pump(limit time.Time) error {
	r.mu.Lock()
	if r.broken != nil {
		defer r.mu.Unlock()
		return r.broken
	}
	if r.reading = limit.IsZero(); r.reading {
		limit = r.deadline
	}
	first := len(r.have) == 0
	_ = r.conn.SetReadDeadline(limit) // fails only on a closed connection, as the read will
	r.mu.Unlock()
	n, err := r.reader.Read(r.buf)
	if first {
		r.waited.since, r.waited.whole = r.reader.Emptied()
	}
	err = r.conn.why(err)
	reply, fault := r.sort(r.buf[:n], time.Now())
	if fault == nil && len(reply) > 0 {
		_, fault = r.send(reply, time.Now().Add(time.Second))
	}
	if err == nil {
		err = fault
	}
	return err
}

// sort takes apart what was received, and gives what must be answered.
func (r *rfc2217) sort(p []byte, now time.Time) (reply []byte, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.reading = false
	if len(p) == 0 {
		return nil, nil
	}
	b := &r.batch
	b.begin(&r.options, &r.state)
	n, err := r.telnet.decode(p, b)
	if r.settled {
		r.have = r.window.put(r.have, p[:n], b, &r.found, now)
	}
	switch {
	case err != nil:
	case b.replies > mostReplies:
		err = &telnetFault{"its Telnet negotiates without end"}
	case r.settled:
		err = r.stillSo()
	}
	r.broken = err
	if r.awaited > 0 {
		close(r.changed)
		r.changed = make(chan struct{})
	}
	return b.reply, err
}

// stillSo says what no longer holds of what was agreed when the port was opened. The flow control is not among it: no byte
// depends on that, and known servers answer with it to other questions.
func (r *rfc2217) stillSo() error {
	if !r.options.binary() || !r.options.comPort() {
		return &telnetFault{"it no longer lets us set its serial port, or no longer passes bytes unchanged"}
	}
	now := r.state.values
	now[setFlow] = r.want[setFlow]
	if other := now.differs(r.want); other != "" {
		return &telnetFault{"it now has " + other + ": somebody has set it"}
	}
	return nil
}

// Emptied is when the reader last found the port empty, and whether the last read did.
func (r *rfc2217) Emptied() (last time.Time, waited bool) { return r.last.emptied, r.last.waited }

// Marks gives the offsets of bytes that may be damaged and of breaks in what the last Read gave.
func (r *rfc2217) Marks() (damaged, breaks []int) { return r.last.marks.damaged, r.last.marks.breaks }

// Vague says whether damage was reported with the last Read, which may be that of bytes before it.
func (r *rfc2217) Vague() bool { return r.last.marks.reported }

// SetReadDeadline ends a pending or later Read at t.
func (r *rfc2217) SetReadDeadline(t time.Time) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed.Load() {
		return os.ErrClosed
	}
	r.deadline = t
	if r.reading {
		return r.conn.SetReadDeadline(t)
	}
	return nil
}

// Write sends to the balance. While the server asks us to wait (FLOWCONTROL-SUSPEND) nothing is sent.
func (r *rfc2217) Write(p []byte) (int, error) {
	limit := time.Now().Add(r.cfg.WriteTimeout.D())
	if err := r.await(limit, func() bool { return !r.state.suspended }); err != nil {
		return 0, err
	}
	sent, err := r.send(appendTelnet(nil, p), limit)
	n := 0
	for n < len(p) && sent > 0 {
		if sent--; p[n] == telnetIAC {
			sent--
		}
		n++
	}
	return n, err
}

// send sends what is Telnet already. What was sent in part is never left so: the rest goes before whatever comes next.
func (r *rfc2217) send(p []byte, limit time.Time) (int, error) {
	r.writing.Lock()
	defer r.writing.Unlock()
	if r.closed.Load() {
		return 0, os.ErrClosed
	}
	if err := r.conn.SetWriteDeadline(limit); err != nil {
		return 0, err
	}
	for len(r.owed) > 0 {
		n, err := r.conn.Write(r.owed)
		if r.owed = r.owed[:copy(r.owed, r.owed[n:])]; err != nil {
			return 0, late(err)
		}
	}
	n, err := r.conn.Write(p)
	if n > 0 && n < len(p) {
		r.owed = append(r.owed, unfinished(p, n)...)
	}
	return n, late(err)
}

// unfinished is what must follow the first n bytes of a text so that no command stays unfinished: the rest of a pair of IACs, or of
// the commands. A balance's bytes behind it are not sent.
func unfinished(p []byte, n int) []byte {
	if len(p) >= 2 && p[0] == telnetIAC && p[1] != telnetIAC {
		return p[n:] // commands only
	}
	iacs := 0
	for i := n - 1; i >= 0 && p[i] == telnetIAC; i-- {
		iacs++
	}
	return p[n : n+iacs%2]
}

func late(err error) error {
	if err != nil && os.IsTimeout(err) {
		return os.ErrDeadlineExceeded
	}
	return err
}

// await waits until what the server says makes a condition true, which is asked with the lock held. It reads if nobody does.
func (r *rfc2217) await(limit time.Time, holds func() bool) error {
	timer := time.NewTimer(time.Until(limit))
	defer timer.Stop()
	r.mu.Lock()
	r.awaited++
	r.mu.Unlock()
	defer func() {
		r.mu.Lock()
		r.awaited--
		r.mu.Unlock()
	}()
	for {
		r.mu.Lock()
		done, changed, err, full := holds(), r.changed, r.broken, len(r.have) > mostHave
		r.mu.Unlock()
		turn := r.turn
		if full {
			turn = nil // the bytes are Read's, and are not thrown away
		}
		switch {
		case r.closed.Load():
			return os.ErrClosed
		case err != nil:
			return err
		case done:
			return nil
		}
		select {
		case <-changed:
		case <-timer.C:
			return os.ErrDeadlineExceeded
		case <-turn:
			err := r.pump(earlier(limit, time.Now().Add(readSlice)))
			r.turn <- struct{}{}
			if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
				return err
			}
		}
	}
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

func (r *rfc2217) Close() error {
	r.reader.closing()
	return r.close()
}
