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
	in.opening = opening{up: at, silence: in.quiet, why: beginningMissing}
	in.portChanged(&record.PortChange{Up: true}, at)
}

// Down is called when an open port was lost, and at the stop. An unfinished line goes with a lost port.
func (in *Intake) Down(at time.Time, why error) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.status.PortUp = false
	var trouble *port.Trouble
	if !errors.As(why, &trouble) {
		return // the daemon stops: nothing was lost, and finish writes what is left
	}
	e := &record.PortChange{Dropped: in.splitter.Reset(), Why: trouble.Sentence}
	in.switchAfterSilence(at)
	in.capture.breakOff()
	in.identity.lost()
	in.board.Clear(wrongBalance, in.cfg.ID)
	in.portChanged(e, at)
}

func (in *Intake) portChanged(e *record.PortChange, at time.Time) {
	in.dueAt(at)
	e.Balance, e.Port, e.Times, e.Stamp = in.about, in.cfg.Port.Address, 1, in.stamp(at)
	if b := in.flaps.put(e, at); b != nil {
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
	in.received += int64(len(p))
	before := in.arrived
	in.arrived = at
	first := at.Add(-in.cfg.Port.WireTime(len(p)))
	in.opening.bytes(first)
	in.push(p, first, before)
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
		in.putUnread(f.Bytes, "the line was unfinished when weighpost stopped", in.stamp(now), now)
	})
	held := append([]record.Body{in.capture.period.latest, in.unreads.flush()}, in.flaps.flush()...)
	in.capture.period.latest = nil
	in.putAll(held, in.stamp(now))
	in.switchAfterSilence(now)
}

func (in *Intake) dueAt(now time.Time) {
	if in.due.IsZero() || now.Before(in.due) {
		return
	}
	ended := append([]record.Body{in.capture.period.due(now), in.unreads.due(now)}, in.flaps.due(now)...)
	in.putAll(ended, in.stamp(now))
	in.switchDue(now)
}

func (in *Intake) putAll(bodies []record.Body, stamp record.Stamp) {
	for _, b := range bodies {
		if b != nil {
			in.put(b, stamp)
		}
	}
}

func (in *Intake) nextDue() time.Time {
	return soonest(soonest(in.switching.ends, in.capture.period.ends), soonest(in.unreads.ends, in.flaps.ends))
}

// reckonDue has the recording goroutine notice that it must wake earlier or later than it thought.
func (in *Intake) reckonDue() {
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
