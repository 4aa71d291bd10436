package qualify

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"weighpost/gateway/port"
)

const (
	// quietFor is how long nothing may come before bytes are sent: a balance that prints by itself shows that it is there.
	quietFor = 700 * time.Millisecond
	// grace is what the way through system and adapter may take beyond the wire and the declared latency.
	grace = 100 * time.Millisecond
	// longEnough is how long the pattern takes on the wire at the least, so that half and twice the speed show in the time.
	longEnough = 500 * time.Millisecond
	// baudTolerance is how far a line's speed may be off in hundredths: a receiver that samples the middle of ten bits bears some 5 % (common
	// practice, without a source).
	baudTolerance = 5
)

// looped is what came back of a pattern.
type looped struct {
	back            []byte
	damaged, breaks int
	took            time.Duration // from before it was written until its last byte was there
}

// marking is a port that says which bytes came with a parity or framing error, as gateway/port has it.
type marking interface {
	Marks() (damaged, breaks []int)
}

// loop sends every value that a character can have, and reads it back.
func (u *run) loop(ctx context.Context, t *try, c port.Config) {
	pattern := patternOf(c)
	wire := c.WireTime(len(pattern))
	t.tried("With pins 2 and 3 said to be bridged: listened for %s, then sent %d characters, all values from %#02x to %#02x, and read them back.", quietFor, len(pattern), pattern[0], pattern[len(pattern)-1])
	if wire > 0 {
		t.expected("The same characters in the same order, none with a parity or framing error, after no less than their time on the wire at %s: %.3f ms.", lineOf(c.Settings()), ms(wire))
	}
	if c.ListenOnly {
		t.notDone("Nothing may be sent: the configuration says listen_only.")
		return
	}
	p, err := u.Open(ctx, c)
	if err != nil {
		t.fail("The port cannot be opened: %v", err)
		return
	}
	defer p.Close()
	if came, err := listen(p, quietFor); err != nil {
		t.fail("The port cannot be read: %v.", err)
		return
	} else if len(came) > 0 {
		t.saw("%d bytes came by themselves: %q.", len(came), came)
		t.fail("Something sends on this line by itself: a balance seems to be connected. Nothing was sent.")
		return
	}
	l, err := around(p, pattern, 2*wire+c.ReadLatency()+2*time.Second)
	if err != nil {
		t.fail("The characters could not be sent: %v. A line with flow control needs its other pins bridged as well (RTS and CTS).", err)
		return
	}
	l.judge(t, c, pattern, wire)
	t.saw("Not shown: that the balance is set to the same speed and framing. Only a weighing shows that.")
}

// patternOf is every value of a character, but for those that flow control takes, over and over until it takes long enough.
func patternOf(c port.Config) (pattern []byte) {
	bits := c.DataBits
	if bits == 0 {
		bits = 8
	}
	for {
		for v := range 1 << bits {
			if c.Flow == port.FlowXONXOFF && (v == 0x11 || v == 0x13) {
				continue
			}
			pattern = append(pattern, byte(v))
		}
		if wire := c.WireTime(len(pattern)); wire == 0 || wire >= longEnough {
			return pattern
		}
	}
}

// listen gives what comes within a time.
func listen(p port.Port, d time.Duration) ([]byte, error) {
	if err := p.SetReadDeadline(time.Now().Add(d)); err != nil {
		return nil, err
	}
	buf := make([]byte, 256)
	n, err := p.Read(buf)
	if errors.Is(err, os.ErrDeadlineExceeded) || errors.Is(err, port.ErrBreak) {
		err = nil
	}
	return buf[:n], err
}

// around writes the pattern and reads until as much came back, or the time is over.
func around(p port.Port, pattern []byte, limit time.Duration) (l looped, err error) {
	begun := time.Now()
	if err := p.SetReadDeadline(begun.Add(limit)); err != nil {
		return l, err
	}
	written := make(chan error, 1)
	go func() {
		_, err := p.Write(pattern)
		written <- err
	}()
	buf := make([]byte, 512)
	for len(l.back) < len(pattern) {
		n, err := p.Read(buf)
		l.back = append(l.back, buf[:n]...)
		l.took = time.Since(begun)
		if m, ok := p.(marking); ok {
			damaged, breaks := m.Marks()
			l.damaged, l.breaks = l.damaged+len(damaged), l.breaks+len(breaks)
		}
		if errors.Is(err, port.ErrBreak) {
			l.breaks++
		} else if err != nil {
			break // the time is over, or the port is gone: what is missing shows
		}
	}
	return l, <-written
}

func (l *looped) judge(t *try, c port.Config, pattern []byte, wire time.Duration) {
	t.saw("%d of %d characters came back, %d with an error, %d breaks, %.3f ms after the first was written.", len(l.back), len(pattern), l.damaged, l.breaks, ms(l.took))
	switch at := differs(l.back, pattern); {
	case len(l.back) == 0:
		t.fail("Nothing came back: is there a bridge between pins 2 and 3, and is it the right port?")
	case at >= 0:
		t.fail("What came back differs from character %d on: speed, framing or cable are not as configured.", at+1)
	}
	if l.damaged > 0 || l.breaks > 0 {
		t.fail("Characters came with parity or framing errors, or as breaks.")
	}
	switch {
	case len(l.back) < len(pattern): // no time to judge
	case wire == 0:
		t.saw("The time on the wire was not judged: the speed of the line is set at the device server.")
	case pseudo(c.Address):
		t.saw("The time on the wire was not judged: this is a pseudo-terminal, which has no speed and no parity.")
	default:
		if why := judgeTime(l.took, c, wire); why != "" {
			t.fail("%s", why)
		}
	}
}

// judgeTime holds the time that the pattern took against its time on the wire, and says what is wrong with it, or "". What comes back
// sooner than it can be sent was sent faster than configured.
func judgeTime(took time.Duration, c port.Config, wire time.Duration) string {
	least, most := wire-wire*baudTolerance/100, wire+wire*baudTolerance/100+c.ReadLatency()+grace
	switch {
	case took < least:
		return fmt.Sprintf("They came back sooner than they take on the wire (%.3f ms at the least): the line runs faster than configured.", ms(least))
	case took > most:
		return fmt.Sprintf("They came back later than they should (%.3f ms at the most): the line runs slower than configured, or something holds it up.", ms(most))
	}
	return ""
}

// differs is where two runs of bytes differ first, -1: nowhere.
func differs(a, b []byte) int {
	for i := range max(len(a), len(b)) {
		if i >= len(a) || i >= len(b) || a[i] != b[i] {
			return i
		}
	}
	return -1
}

// pseudo says whether an address leads to a pseudo-terminal.
func pseudo(address string) bool {
	target, err := filepath.EvalSymlinks(address)
	return err == nil && strings.HasPrefix(target, "/dev/pts/")
}

func ms(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }

// hexes writes bytes so that each can be seen.
func hexes(b []byte) string { return fmt.Sprintf("%q", b) }
