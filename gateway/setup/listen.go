package setup

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"time"

	"weighpost/gateway/port"
	"weighpost/parsers/frame"
	"weighpost/parsers/learn"
)

// Captured is what came from a port while somebody listened.
type Captured struct {
	Sample learn.Sample
	Lines  int // as they were shown: cut after each line end, and where the balance paused
	// Span is the time from the first bytes to the last ones.
	Span time.Duration
	// Damaged is how many characters came with a parity or framing error. The lines that hold them are left out of Sample;
	// LeftOut is how many these are. Both are 0 where the driver cannot tell.
	Damaged, LeftOut int
	Breaks           int // times that the line was held low
}

// ListenOptions say when listening ends: at whatever comes first, and at the latest when the sample holds learn.MostBytes.
type ListenOptions struct {
	Lines int               // after so many lines; 0: whatever comes
	For   time.Duration     // after so long; 0: for as long as it takes
	Stop  <-chan struct{}   // when the person is done
	Show  func(line []byte) // is given each line as it comes, for somebody to see; may be nil
	// Poll is sent every second, to a balance that speaks only when asked. nil: nothing is ever sent.
	Poll []byte

	nobody <-chan struct{} // there is nobody who could be done: aloneLines and aloneFor count
}

const (
	// leastPause is the shortest silence that counts as one: USB adapters hold bytes back for up to 16 ms by themselves.
	leastPause = 40 * time.Millisecond
	// lastWords is how long the rest of a line or a block may take once enough has come.
	lastWords = time.Second
	// pollEvery is how often a balance is asked. It comes after the answer before has had its time.
	pollEvery = time.Second
	// mostOfLine is how much of a line without an end is shown as one.
	mostOfLine = 256
)

// Listen takes down what a balance sends. It sends nothing but the poll that it is given. What came before the port was lost is given out with the error.
func Listen(ctx context.Context, open Opener, c port.Config, o ListenOptions) (*Captured, error) {
	p, err := open(ctx, c)
	if err != nil {
		return nil, err
	}
	defer p.Close()
	l := &listener{port: p, o: o, pause: max(leastPause, 4*c.WireTime(1)), begun: time.Now()}
	if o.For > 0 {
		l.end = l.begun.Add(o.For)
	}
	err = l.run(ctx)
	return l.captured(), err
}

// Listening where neither the options nor a person say when it is enough.
const (
	aloneLines = 10
	aloneFor   = time.Minute
)

// ListenWith takes down what a balance sends and tells the person each line. It ends where o says so, and where o does not,
// when the person is done; where nobody answers, after ten lines or a minute.
func ListenWith(ctx context.Context, open Opener, c port.Config, p Person, text string, o ListenOptions) (*Captured, error) {
	n := 0
	o.Show = func(line []byte) {
		n++
		p.Tell(fmt.Sprintf("%4d  %s", n, frame.Visible(line)))
	}
	if o.Lines > 0 || o.For > 0 {
		p.Tell(text)
		return Listen(ctx, open, c, o)
	}
	asking, enough := context.WithCancel(ctx)
	stop, nobody, asked := make(chan struct{}), make(chan struct{}), make(chan struct{})
	o.Stop, o.nobody = stop, nobody
	var left error
	go func() {
		defer close(asked)
		_, err := p.Ask(asking, Question{Key: "done", Text: text})
		switch {
		case errors.Is(err, ErrNobody):
			close(nobody)
		case err == nil || asking.Err() == nil:
			left = err
			close(stop)
		}
	}()
	got, err := Listen(ctx, open, c, o)
	enough()
	<-asked
	return got, cmp.Or(err, left)
}

// listener is one listening.
type listener struct {
	port  port.Port
	o     ListenOptions
	pause time.Duration
	begun time.Time
	end   time.Time // zero: none

	got     Captured
	damaged []int
	silent  bool // since the last byte
	line    []byte
	last    time.Time // when enough had come, and the rest is waited for
	first   time.Time // when the first bytes came
	asked   time.Time // when the balance was asked last
}

// marker is a port that knows which bytes of its last read came damaged.
type marker interface {
	Marks() (damaged, breaks []int)
}

func (l *listener) run(ctx context.Context) error {
	buf := make([]byte, 4096)
	for {
		if err := context.Cause(ctx); err != nil {
			return err
		}
		if l.over() {
			l.endLine()
			return nil
		}
		if err := l.poll(); err != nil {
			return err
		}
		if err := l.port.SetReadDeadline(time.Now().Add(l.pause)); err != nil {
			return fmt.Errorf("the port cannot be read: %w", err)
		}
		n, err := l.port.Read(buf)
		l.take(buf[:n], err)
		if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) && !errors.Is(err, port.ErrBreak) {
			l.endLine()
			return fmt.Errorf("the port cannot be read any more: %w", err)
		}
	}
}

// poll asks the balance, if that is wanted and due.
func (l *listener) poll() error {
	if l.o.Poll == nil || time.Since(l.asked) < pollEvery {
		return nil
	}
	l.asked = time.Now()
	if _, err := l.port.Write(l.o.Poll); err != nil {
		return fmt.Errorf("the balance cannot be asked: %w", err)
	}
	return nil
}

// over says whether enough has come, and the balance has paused since.
func (l *listener) over() bool {
	if len(l.got.Sample.Bytes) >= learn.MostBytes {
		return true
	}
	select {
	case <-l.o.nobody:
		l.o.Lines, l.end, l.o.nobody = aloneLines, l.begun.Add(aloneFor), nil
	default:
	}
	enough := l.o.Lines > 0 && l.got.Lines >= l.o.Lines || !l.end.IsZero() && !time.Now().Before(l.end)
	select {
	case <-l.o.Stop:
		enough = true
	default:
	}
	switch {
	case !enough:
		return false
	case l.last.IsZero():
		l.last = time.Now()
	}
	return l.silent || time.Since(l.last) > lastWords
}

// take adds what a read brought.
func (l *listener) take(b []byte, err error) {
	if m, ok := l.port.(marker); ok {
		damaged, breaks := m.Marks()
		if len(b) > 0 {
			for _, at := range damaged {
				l.damaged = append(l.damaged, len(l.got.Sample.Bytes)+at)
			}
		}
		if len(b) > 0 || errors.Is(err, port.ErrBreak) {
			l.got.Breaks += len(breaks)
		}
	}
	if len(b) == 0 {
		if errors.Is(err, os.ErrDeadlineExceeded) {
			l.silent = true
			l.endLine()
		}
		return
	}
	if l.silent && len(l.got.Sample.Bytes) > 0 {
		l.got.Sample.Pauses = append(l.got.Sample.Pauses, len(l.got.Sample.Bytes))
	}
	l.silent = false
	now := time.Now()
	if l.first.IsZero() {
		l.first = now
	}
	l.got.Span = now.Sub(l.first)
	b = b[:min(len(b), learn.MostBytes-len(l.got.Sample.Bytes))]
	l.got.Sample.Bytes = append(l.got.Sample.Bytes, b...)
	for _, c := range b {
		if n := len(l.line); n > 0 && l.line[n-1] == '\r' && c != '\n' || n >= mostOfLine {
			l.endLine()
		}
		l.line = append(l.line, c)
		if c == '\n' {
			l.endLine()
		}
	}
}

// endLine shows a line. Line ends alone are none.
func (l *listener) endLine() {
	if len(l.line) == 0 {
		return
	}
	if !slices.ContainsFunc(l.line, func(c byte) bool { return c != '\r' && c != '\n' }) {
		l.line = l.line[:0]
		return
	}
	l.got.Lines++
	if l.o.Show != nil {
		l.o.Show(l.line)
	}
	l.line = l.line[:0]
}

// captured leaves out the lines that hold damaged bytes: nobody knows what they would have said.
func (l *listener) captured() *Captured {
	c := l.got
	c.Damaged = len(l.damaged)
	s := c.Sample
	for i := len(l.damaged) - 1; i >= 0; i-- {
		at := l.damaged[i]
		if at >= len(s.Bytes) {
			continue // it went with the line of a later one
		}
		from, to := lineAround(s, at)
		s = without(s, from, to)
		c.LeftOut++
		for i > 0 && l.damaged[i-1] >= from {
			i--
		}
	}
	c.Sample = s
	return &c
}

// lineAround gives the line that holds the byte at an offset, with its end; a pause ends a line too.
func lineAround(s learn.Sample, at int) (from, to int) {
	isEnd := func(i int) bool { return s.Bytes[i] == '\n' || s.Bytes[i] == '\r' }
	for from = at; from > 0 && !isEnd(from-1) && !slices.Contains(s.Pauses, from); from-- {
	}
	for to = at + 1; to < len(s.Bytes) && !isEnd(to-1) && !slices.Contains(s.Pauses, to); to++ {
	}
	if to < len(s.Bytes) && to > from && s.Bytes[to-1] == '\r' && s.Bytes[to] == '\n' {
		to++
	}
	return from, to
}

func without(s learn.Sample, from, to int) learn.Sample {
	var pauses []int
	for _, p := range s.Pauses {
		switch {
		case p <= from:
			pauses = append(pauses, p)
		case p >= to:
			pauses = append(pauses, p-(to-from))
		}
	}
	bytes := append(slices.Clone(s.Bytes[:from]), s.Bytes[to:]...)
	return learn.Sample{Bytes: bytes, Pauses: slices.Compact(pauses)}
}
