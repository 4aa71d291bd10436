package tap

import (
	"bytes"
	"time"
)

// unfinished is how long a line may stand still and still count as one.
const unfinished = 250 * time.Millisecond

// route is where a line of the balance goes.
type route int

const (
	toProgram route = iota
	withheld        // it answers somebody else, or the balance is out of service
	leftOut         // it did not fit, or the program came in the middle of it
)

// course follows the lines of the balance. A line ends with CR, LF or both, ETX or EOT, after a silence, or where it is too long
// for one: tap knows no layout.
type course struct {
	under  bool // a line is under way
	route  route
	length int
	last   byte
	at     time.Time // of the last byte
}

// join has what is under way left out for a program that has just come.
func (c *course) join() { c.route = leftOut }

// ear hears one line for a tap. It is a port.Listener.
type ear struct {
	tap  *Tap
	line Line
}

func (e *ear) Up() {
	t := e.tap
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.line != e.line {
		return
	}
	t.up = true
	t.epoch++
	t.course = course{}
}

func (e *ear) Down() {
	t := e.tap
	t.mu.Lock()
	defer t.mu.Unlock()
	t.up = false
	t.epoch++
	t.asking.end()
}

func (e *ear) Bytes(p []byte) { e.tap.hear(p, time.Now(), e.line.Turns().Holder) }
func (e *ear) Handled()       { e.tap.handled() }

// handled lets the program have what was heard. Not before the handler: the program may ask again at once, which ends its turn, and
// what has just come would then look like the answer to whoever asks next.
func (t *Tap) handled() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.asking.handled()
	if t.program != nil {
		t.program.show()
	}
}

// hear passes on what the balance sent. It runs on the goroutine that reads the port and never waits.
func (t *Tap) hear(p []byte, now time.Time, holder func() string) {
	t.mu.Lock()
	t.asking.heard(p, now)
	lost := 0
	c := &t.course
	if c.under && now.Sub(c.at) >= unfinished {
		c.under = false
	}
	for len(p) > 0 {
		n, ends := lineEnd(p, c)
		starts := !c.under && !(c.last == '\r' && p[0] == '\n')
		if starts {
			c.route, c.length = t.routeOf(holder()), 0
		}
		if room := longestLine - c.length; n >= room && (starts || c.under) {
			n, ends = room, true
		}
		if t.passOn(p[:n], starts) {
			lost++
		}
		c.under, c.last, c.length = !ends, p[n-1], c.length+n
		p = p[n:]
	}
	c.at = now
	t.mu.Unlock()
	for range lost {
		t.left()
	}
}

// lineEnd finds how much of p belongs to the line under way, or to the one that begins with p, and whether the line ends there.
func lineEnd(p []byte, c *course) (n int, ends bool) {
	if !c.under && c.last == '\r' && p[0] == '\n' {
		return 1, true // the second half of a line end that came in two pieces
	}
	i := bytes.IndexAny(p, "\r\n\x03\x04")
	switch {
	case i < 0:
		return len(p), false
	case p[i] == '\r' && i+1 < len(p) && p[i+1] == '\n':
		return i + 2, true
	}
	return i + 1, true
}

// routeOf says where a line goes that begins while holder has the turn. mu is held.
func (t *Tap) routeOf(holder string) route {
	if t.cfg.cuts() && t.isOut() || holder != "" && holder != Who {
		if t.program != nil {
			t.status.Withheld++
		}
		return withheld
	}
	return toProgram
}

// passOn puts a piece of a line into the program's buffer, and says whether the line did not fit. mu is held.
func (t *Tap) passOn(p []byte, starts bool) (lost bool) {
	if t.program == nil || t.course.route != toProgram || t.program.put(p, starts) {
		return false
	}
	t.course.route = leftOut
	return true
}
