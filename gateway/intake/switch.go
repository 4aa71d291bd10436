package intake

import (
	"fmt"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
)

const (
	// patience is how long another layout waits for the end of a frame that has begun, beside the time that the longest
	// frame takes on the line. What is still unfinished then mostly waits for an end that the old layout names and nobody
	// sends.
	patience = 3 * time.Second
	// assumedSpeed is that of a line behind a device server, which is not known here.
	assumedSpeed = 2400
)

const (
	cutBySwitch       = "the layout was changed in the middle of it, and its end had not come"
	beginningSwitched = "its beginning may be missing: the layout was changed just before it, and the rest of a longer line would read the same way"
)

// switching is another layout that waits until no frame is unfinished.
type switching struct {
	to   *layout.Layout // nil: none waits
	ends time.Time      // when an unfinished frame is given up
}

// UseLayout has the frames from now on read by another layout. It takes effect between frames and becomes an entry then:
// a frame that has begun is still cut and read by the old one. If its end does not come within some seconds, what has come
// of it is an unread entry, and the frame after it is unread too if it could be the rest. The same layout again, by its
// hash, changes nothing. UseLayout does not wait, and may be called from any goroutine.
func (in *Intake) UseLayout(l *layout.Layout) error {
	if l == nil {
		return fmt.Errorf("balance %s: there is no layout to change to", in.about.ID)
	}
	in.mu.Lock()
	defer in.mu.Unlock()
	if l.Hash() == in.hash {
		in.layout, in.switching = l, switching{} // the name of the file may be another
		in.reckonDue()
		return nil
	}
	now := in.now()
	in.dueAt(now)
	in.switching = switching{to: l, ends: now.Add(in.patience())}
	if _, done := in.splitter.Finish(nil, in.emit); done {
		in.switchLayout(now, in.arrived, 0)
	}
	in.reckonDue()
	return nil
}

func (in *Intake) patience() time.Duration {
	longest := in.cfg.Port.WireTime(in.splitter.MaxLength())
	if longest == 0 {
		longest = port.WireTime(port.BitsPerChar(8, port.ParityNone, 1), in.splitter.MaxLength(), assumedSpeed)
	}
	return longest + max(patience, 2*in.layout.IdleGap())
}

// push cuts what was received into frames. It began to arrive at first, and what came before it was there at before.
func (in *Intake) push(p []byte, first, before time.Time) {
	if in.switching.to != nil {
		n, done := in.splitter.Finish(p, in.emit)
		if n > 0 {
			first, before = in.arrived, in.arrived
		}
		if p = p[n:]; done {
			in.switchLayout(in.arrived, before, len(p))
			if len(p) > 0 {
				in.opening.bytes(first)
			}
		}
	}
	if len(p) > 0 {
		in.splitter.Push(p, in.emit)
	}
}

// switchAfterSilence switches where a silence has ended what was unfinished.
func (in *Intake) switchAfterSilence(at time.Time) {
	if in.switching.to == nil {
		return
	}
	if in.splitter.Pending() == 0 {
		in.switchLayout(at, in.arrived, 0)
	}
}

// switchDue gives up the frame that the other layout has waited for.
func (in *Intake) switchDue(now time.Time) {
	if in.switching.to == nil || now.Before(in.switching.ends) {
		return
	}
	cut := in.splitter.Pending() > 0
	in.splitter.Flush(func(f frame.Frame) { in.refuse(f.Bytes, cutBySwitch, in.stamp(now), now) })
	in.switchLayout(now, in.arrived, 0)
	if cut {
		in.opening = opening{heard: true, why: beginningSwitched}
	}
}

// switchLayout puts the other layout in place of the one that was used. Nothing is unfinished, and the last byte came at
// last, but for the last rest bytes, which are still to come to the new splitter.
func (in *Intake) switchLayout(at, last time.Time, rest int) {
	from, to := in.hash, in.switching.to
	in.opening = opening{up: last, silence: in.quiet, why: beginningSwitched}
	if in.layout.FramesLike(to) {
		in.opening = opening{} // where a frame ended for the one, the next begins for the other
	}
	in.switching = switching{}
	in.layout, in.hash, in.splitter = to, to.Hash(), to.Splitter()
	in.arrivals.restart(rest)
	in.damage.restart(in.received, int64(rest))
	in.received = int64(rest)
	in.capture.breakOff()
	in.recant()
	if l, ok := in.line.(gapped); ok {
		l.SetIdleGap(to.IdleGap())
	}
	stamp := in.stamp(at)
	in.put(&record.LayoutChange{Balance: in.about, From: from, To: in.hash, Text: to.Text(), Stamp: stamp}, stamp)
}
