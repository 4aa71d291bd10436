package intake

import (
	"errors"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/parsers/frame"
)

var _ port.Handler = (*Intake)(nil)

// Up is called when the port has been opened.
func (in *Intake) Up(at time.Time) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.status.PortUp = true
	in.complaint.signs, in.complaint.found = signs{}, nothing
	in.opening = opening{up: at, silence: in.quiet, why: beginningMissing}
	in.opened(at)
	in.portChanged(&record.PortChange{Up: true}, at)
}

// Down is called when an open port was lost, and at the stop. An unfinished line goes with a lost port.
func (in *Intake) Down(at time.Time, why error) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.status.PortUp = false
	in.mute()
	var trouble *port.Trouble
	if !errors.As(why, &trouble) {
		return // the daemon stops: nothing was lost, and finish writes what is left
	}
	e := &record.PortChange{Dropped: in.splitter.Reset(), Why: trouble.Sentence}
	in.damage.clear()
	in.switchAfterSilence(at)
	in.capture.breakOff()
	in.identity.lost()
	in.board.Clear(wrongBalance, in.cfg.ID)
	in.tellIdentity()
	in.portChanged(e, at)
	in.endContext(at, "The balance's port was lost: whoever plugs it in again may be somebody else, with another balance.")
}

func (in *Intake) portChanged(e *record.PortChange, at time.Time) {
	in.portEntry(e, in.cfg.Port.Address, &in.flaps, at)
}

func (in *Intake) portEntry(e *record.PortChange, address string, flaps *flaps, at time.Time) {
	in.dueAt(at)
	e.Balance, e.Port, e.Times, e.Stamp = in.about, address, 1, in.stamp(at)
	if b := flaps.put(e, at); b != nil {
		in.put(b, e.Stamp)
	}
	in.reckonDue()
}

// Bytes is called with what the port received.
func (in *Intake) Bytes(p []byte, a port.Arrival) {
	at := a.At
	in.mu.Lock()
	defer in.mu.Unlock()
	in.dueAt(at)
	in.damage.note(in.received, a)
	in.status.Damaged += uint64(len(a.Damaged))
	in.status.Breaks += uint64(len(a.Breaks))
	in.received += int64(len(p))
	before := in.arrived
	in.arrived, in.waited = at, a.Held
	in.arrivals.note(in.received, len(p), at, a.Emptied, in.cfg.Port.WireTime(1))
	first := at.Add(-in.cfg.Port.WireTime(len(p)))
	in.opening.bytes(first)
	if a.Vague {
		in.damagedBefore(at)
	}
	in.push(p, first, before)
	in.examine(p, a)
	in.reckonDue()
}

// Idle is called when the line has been silent for the layout's idle gap.
func (in *Intake) Idle(at time.Time) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.dueAt(at)
	in.splitter.Idle(in.emit)
	in.switchAfterSilence(at)
	in.reckonDue()
}

// endPeriods writes what periods and minutes that have run out have kept.
func (in *Intake) endPeriods(now time.Time) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.dueAt(now)
	in.reckonDue()
}

// finish writes everything that was received and is still held back. No other call follows it.
func (in *Intake) finish() {
	in.mu.Lock()
	defer in.mu.Unlock()
	now := in.now()
	in.splitter.Flush(func(f frame.Frame) {
		in.putUnread(f.Bytes, "the line was unfinished when weighpost stopped reading the port", in.stamp(now), now)
	})
	if held := in.capture.period.latest; held != nil {
		in.capture.period.latest = nil
		in.record(held, in.stamp(now))
	}
	in.putAll(in.rest(in.unreads.flush(), in.refusals.flush(), (*flaps).flush), now)
	in.switchAfterSilence(now)
	in.endContext(now, "weighpost stopped reading this balance.")
	in.over = true
	in.settle(now.Add(openLimit))
}

// rest puts together what the limits have kept back.
func (in *Intake) rest(unread, refused record.Body, of func(*flaps) []record.Body) []record.Body {
	bodies := append([]record.Body{unread, refused}, of(&in.flaps)...)
	if in.scan != nil {
		bodies = append(bodies, of(&in.scan.flaps)...)
	}
	return bodies
}

func (in *Intake) dueAt(now time.Time) {
	in.settle(now)
	in.endOver(now)
	if in.due.IsZero() || now.Before(in.due) {
		return
	}
	in.expire(now)
	if ended := in.capture.period.due(now); ended != nil {
		in.record(ended, in.stamp(now))
	}
	kept := in.rest(in.unreads.due(now), in.refusals.due(now), func(f *flaps) []record.Body { return f.due(now) })
	in.putAll(kept, now)
	in.switchDue(now)
}

// putAll puts what periods and minutes have kept. It asks for the time only if there is something: a frame that is on its
// way began earlier, and its stamp must not come to stand behind this one for nothing.
func (in *Intake) putAll(bodies []record.Body, now time.Time) {
	for _, b := range bodies {
		if b != nil {
			in.put(b, in.stamp(now))
		}
	}
}

func (in *Intake) nextDue() time.Time {
	next := soonest(in.capture.period.ends, soonest(in.unreads.ends, in.flaps.ends))
	next = soonest(next, in.switching.ends)
	next = soonest(next, soonest(in.refusals.ends, in.context.ends()))
	if in.scan != nil {
		next = soonest(next, in.scan.flaps.ends)
	}
	if len(in.open) > 0 {
		next = soonest(next, in.look)
	}
	return next
}

// reckonDue has the recording goroutine notice that it must wake earlier or later than it thought.
func (in *Intake) reckonDue() {
	now := in.now()
	in.holdSample(now)
	in.holdPerson(now)
	if due := in.nextDue(); !due.Equal(in.due) {
		in.due = due
		in.out.poke()
	}
}

// stamp writes the arrival at as a stamp that is not before the one given last.
func (in *Intake) stamp(at time.Time) record.Stamp {
	before := in.stamps.behind
	s := in.stamps.next(in.clock.Stamp(at))
	switch behind := in.stamps.behind; {
	case behind >= time.Second && before < time.Second:
		in.board.Raise(health.Condition{
			Code: health.ClockWentBack, Subject: in.cfg.ID, Severity: health.Warning,
			Sentence: "The clock of this computer went back by " + behind.Round(time.Second).String() +
				": the stamps of balance " + in.cfg.ID + " stand still until it has caught up.",
			Remedy: "See who sets the clock of this computer. The order of the records is right; their times may be wrong by as much.",
		})
	case behind < time.Second && before >= time.Second:
		in.board.Clear(health.ClockWentBack, in.cfg.ID)
	}
	return s
}
