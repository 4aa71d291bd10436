package intake

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/parsers/frame"
)

const (
	unreadFrames = health.UnreadFrames // codes of conditions
	wrongBalance = health.WrongBalance
)

// frame takes one frame from the splitter. Its bytes are valid during the call only.
func (in *Intake) frame(f frame.Frame) {
	in.status.Frames++
	defer in.forget(f.End)
	at := in.firstByte(f)
	stamp := in.frameStamp(at)
	why, value := in.read(f)
	if in.replied(f, stamp) && why != "" {
		return // words to a command, and no reading
	}
	if why != "" {
		in.misread++
		in.raiseUnread(f, why)
		in.refuseAs(f.Bytes, why, value, stamp, at)
		return
	}
	in.fine()
	before := in.identity
	if err := in.identity.see(in.reading.Balance()); err != nil {
		in.raiseWrong(err)
		shown := record.ValueOf(&in.reading)
		in.refuseAs(f.Bytes, err.Error(), &shown, stamp, at)
		return
	}
	if before != in.identity {
		in.board.Clear(wrongBalance, in.cfg.ID)
		in.tellIdentity()
	}
	in.accept(f, stamp, at)
}

// forget lets go of what was kept for frames before an offset.
func (in *Intake) forget(end int64) {
	in.arrivals.forget(end)
	in.damage.forget(end)
}

// firstByte is when the frame began to arrive: the arrival of its last byte less the time that its bytes take on the wire.
// Bytes of the same read that follow the frame came after it.
func (in *Intake) firstByte(f frame.Frame) time.Time {
	after := max(in.received-f.End, 0)
	return in.arrived.Add(-in.cfg.Port.WireTime(int(after) + len(f.Bytes)))
}

// moment is when the frame began to arrive, as far as that can be known.
func (in *Intake) moment(f frame.Frame) moment {
	m := in.arrivals.first(f.Offset)
	if m.hi.IsZero() {
		return moment{in.firstByte(f), in.arrived}
	}
	return m
}

// read applies the layout and says why the frame is unread, or "". value is what it says where a rule refuses it all the same.
func (in *Intake) read(f frame.Frame) (why string, value *record.Value) {
	if why := in.damage.of(f, in.splitter.Ends(0)); why != "" {
		return why, nil
	}
	if f.Fault != "" {
		return f.Fault, nil
	}
	if err := in.layout.Apply(f, &in.reading); err != nil {
		return err.Error(), nil
	}
	if in.doubtful(f) {
		return in.opening.why, nil
	}
	if in.plausible.keep {
		return "", nil
	}
	if why = in.plausible.doubt(&in.reading); why != "" {
		shown := record.ValueOf(&in.reading)
		value = &shown
	}
	return why, value
}

// accept publishes a reading and journals it where the capture rule says so.
func (in *Intake) accept(f frame.Frame, stamp record.Stamp, at time.Time) {
	r := &in.reading
	in.seen(r, at)
	value, printed := record.ValueOf(r), record.PrintedOf(r)
	in.publish(record.Live{Balance: in.cfg.ID, UTC: stamp.UTC, Value: &value, Printed: printed}, f.Bytes)
	only, verdicts := in.offer(f, value, stamp, at)
	if !in.answered(f, value, printed, stamp, at, only, verdicts) && !only {
		in.captureReading(f, value, printed, stamp, at, append(verdicts, in.unasked()...))
	}
}

// captureReading journals a reading where the capture rule says so, with verdicts on how it came.
func (in *Intake) captureReading(f frame.Frame, value record.Value, printed *record.Printed, stamp record.Stamp, at time.Time, verdicts []record.Verdict) {
	weighing := func() *ticket {
		t := in.weighing(f, value, printed, stamp)
		t.w.Verdicts = append(t.w.Verdicts, verdicts...)
		return t
	}
	switch v, why := in.capture.decide(&in.reading, at); v {
	case recorded:
		t := weighing()
		step := in.emptyPan(t)
		in.record(t, stamp)
		in.afterPrint(step, t.m)
	case held:
		if ended := in.capture.period.due(at); ended != nil {
			in.record(ended, stamp) // before the next takes its items
		}
		in.capture.period.put(weighing(), at)
	case unread:
		entry, kept := in.putUnread(f.Bytes, why, stamp, at)
		if in.printsFrames() {
			in.answerUnread(entry, kept, &value, false, why, stamp, at)
		}
	}
}

// weighing writes the reading as a weighing, or, where it is no mass, as a result, with what it takes of the context.
func (in *Intake) weighing(f frame.Frame, value record.Value, printed *record.Printed, stamp record.Stamp) *ticket {
	w := record.Weighing{
		Balance: in.cfg.Describe(in.identity.state), Value: value, Printed: printed, Frame: slices.Clone(f.Bytes), Layout: in.hash,
		Trigger: in.trigger, Port: in.cfg.Port.Address, Stamp: stamp,
		Verdicts: []record.Verdict{}, Fitness: record.Fitness{State: "unknown"}, Software: in.software,
	}
	if printed != nil {
		w.Stamp.BalancePrinted = strings.TrimSpace(printed.Date + " " + printed.Time)
	}
	in.plausible.judge(&w, &in.reading)
	in.needIdentity(&w)
	in.judgeFitness(&w)
	m := in.moment(f)
	if isMass(&in.reading) {
		return in.newTicket(&w, &w, m)
	}
	r := &record.Result{Weighing: w}
	return in.newTicket(r, &r.Weighing, m)
}

// refuse handles a frame without a usable value.
func (in *Intake) refuse(raw []byte, why string, stamp record.Stamp, at time.Time) {
	in.refuseAs(raw, why, nil, stamp, at)
}

// refuseAs is refuse for a frame that was read, and whose value a rule refuses; nil: it was not.
func (in *Intake) refuseAs(raw []byte, why string, value *record.Value, stamp record.Stamp, at time.Time) {
	prints := in.printsFrames()
	in.unanswered(why)
	in.capture.breakOff()
	in.publish(record.Live{Balance: in.cfg.ID, UTC: stamp.UTC, Unread: why}, raw)
	entry, kept := in.putUnread(raw, why, stamp, at)
	if prints {
		in.answerUnread(entry, kept, value, value != nil, why, stamp, at)
	}
}

// putUnread leaves a frame without a usable value for the journal: entry is nil where it is counted only.
func (in *Intake) putUnread(raw []byte, why string, stamp record.Stamp, at time.Time) (entry record.Body, kept bool) {
	in.status.Unread++
	in.status.LastUnread = &UnreadFrame{UTC: stamp.UTC, Why: why, Frame: slices.Clone(raw[:min(len(raw), mostShown)])}
	e := &record.Unread{
		Balance: in.about, Frame: raw, Reason: why, Layout: in.hash, Port: in.cfg.Port.Address,
		Stamp: stamp, Software: in.software,
	}
	if b := in.unreads.put(e, at); b != nil {
		e.Frame = slices.Clone(raw)
		return b, in.put(b, stamp)
	}
	return nil, true
}

func (in *Intake) raiseWrong(err error) {
	in.tellIdentity()
	in.board.Raise(health.Condition{
		Code: wrongBalance, Subject: in.cfg.ID, Severity: health.Error,
		Sentence: fmt.Sprintf("Another balance is connected in place of %s: %s. Nothing is recorded under this name.", in.cfg.ID, err),
		Remedy:   "Put the cables back, or correct `serial` or `prints_as` in the configuration.",
	})
}

// publish tells screens of a reading. The bytes behind it are copied only while a person looks.
func (in *Intake) publish(l record.Live, frame []byte) {
	if h := in.context.held(record.ItemPerson, in.arrived); h != nil {
		l.Person = h.id
	}
	if h := in.context.held(record.ItemSample, in.arrived); h != nil {
		l.Sample = h.id
	}
	in.status.Live = l
	if in.watched != nil && in.watched() {
		l.Frame = slices.Clone(frame[:min(len(frame), mostShown)])
	}
	in.live.Publish(l)
}
