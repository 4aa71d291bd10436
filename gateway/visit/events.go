package visit

import (
	"context"
	"fmt"
	"strings"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/parsers/frame"
)

const (
	mostEvents    = 1000
	mostOfEvents  = 256 << 10              // bytes of text in all
	mostOfChunk   = 512                    // bytes that one event shows
	chunkTogether = 100 * time.Millisecond // what comes within this time is shown together: eyes see no more
)

// events is what happened in a visit, for whoever follows it. The lock is the visit's.
type events struct {
	n      uint64 // number of the latest
	list   []console.VisitEvent
	sizes  []int
	size   int
	stands uint64        // number of the latest event that is a change of how the visit stands
	came   chan struct{} // closed when something happens

	chunk *chunk // came, and is not shown yet
}

// chunk is bytes that went one way close together.
type chunk struct {
	at    time.Time
	sent  bool
	bytes []byte
	more  int
}

func newEvents() events { return events{came: make(chan struct{})} }

// put adds an event of some size.
func (e *events) put(one console.VisitEvent, size int) {
	e.show()
	e.add(one, size)
}

func (e *events) add(one console.VisitEvent, size int) {
	e.n++
	one.N = e.n
	e.list, e.sizes, e.size = append(e.list, one), append(e.sizes, size), e.size+size
	for len(e.list) > mostEvents || e.size > mostOfEvents && len(e.list) > 1 {
		e.size -= e.sizes[0]
		e.list, e.sizes = e.list[1:], e.sizes[1:]
	}
	e.wake()
}

// changed says that the visit stands otherwise.
func (e *events) changed() {
	e.show()
	e.n++
	e.stands = e.n
	e.wake()
}

func (e *events) wake() {
	close(e.came)
	e.came = make(chan struct{})
}

// passed takes bytes that went one way.
func (e *events) passed(b []byte, sent bool) {
	if e.chunk != nil && (e.chunk.sent != sent || time.Since(e.chunk.at) >= chunkTogether) {
		e.show()
	}
	if e.chunk == nil {
		e.chunk = &chunk{at: time.Now(), sent: sent}
		e.wake()
	}
	room := min(len(b), mostOfChunk-len(e.chunk.bytes))
	e.chunk.bytes = append(e.chunk.bytes, b[:room]...)
	e.chunk.more += len(b) - room
}

// show makes an event of the bytes that came.
func (e *events) show() {
	c := e.chunk
	if c == nil {
		return
	}
	e.chunk = nil
	e.add(console.VisitEvent{Bytes: &console.VisitBytes{At: record.UTC(c.at.UTC()), Hex: strings.TrimSpace(fmt.Sprintf("% X", c.bytes)),
		Text: frame.Visible(c.bytes), Sent: c.sent, LeftOut: c.more}}, 6*len(c.bytes))
}

// follow waits until something happened after an event, and gives it. How the visit stands comes last, and once.
func (v *visit) follow(ctx context.Context, after uint64) ([]console.VisitEvent, error) {
	for {
		list, came, soon := v.since(after)
		if len(list) > 0 {
			return list, nil
		}
		var later <-chan time.Time
		if soon {
			timer := time.NewTimer(chunkTogether)
			defer timer.Stop()
			later = timer.C
		}
		select {
		case <-came:
		case <-later:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

func (v *visit) since(after uint64) (list []console.VisitEvent, came <-chan struct{}, soon bool) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.chunk != nil && time.Since(v.chunk.at) >= chunkTogether {
		v.show()
	}
	if after > v.n { // of another life
		after = 0
	}
	for _, one := range v.list {
		if one.N > after {
			list = append(list, one)
		}
	}
	if v.stands > after {
		stands := v.snapshot()
		list = append(list, console.VisitEvent{N: v.n, Visit: &stands})
	}
	return list, v.came, v.chunk != nil
}

// tapped is a port of which whoever follows the visit sees what passes.
type tapped struct {
	port.Port
	v *visit
}

func (t *tapped) Read(p []byte) (int, error) {
	n, err := t.Port.Read(p)
	if n > 0 {
		t.v.pass(p[:n], false)
	}
	return n, err
}

func (t *tapped) Write(p []byte) (int, error) {
	n, err := t.Port.Write(p)
	if n > 0 {
		t.v.pass(p[:n], true)
	}
	return n, err
}

func (v *visit) pass(b []byte, sent bool) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.passed(b, sent)
}

// Marks says which bytes of the last read came damaged, where the port knows.
func (t *tapped) Marks() (damaged, breaks []int) {
	if m, ok := t.Port.(interface {
		Marks() (damaged, breaks []int)
	}); ok {
		return m.Marks()
	}
	return nil, nil
}

// The modem lines, where the port has them.

func (t *tapped) Lines() (port.Lines, error) {
	if m, ok := t.Port.(port.Modem); ok {
		return m.Lines()
	}
	return port.Lines{}, port.ErrNoModem
}

func (t *tapped) SetDTR(on bool) error {
	if m, ok := t.Port.(port.Modem); ok {
		return m.SetDTR(on)
	}
	return port.ErrNoModem
}

func (t *tapped) SetRTS(on bool) error {
	if m, ok := t.Port.(port.Modem); ok {
		return m.SetRTS(on)
	}
	return port.ErrNoModem
}

func (t *tapped) Purge() error {
	if m, ok := t.Port.(port.Modem); ok {
		return m.Purge()
	}
	return port.ErrNoModem
}
