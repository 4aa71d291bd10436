package intake

import (
	"fmt"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
)

// The rules of verdicts on asked readings.
const (
	ruleTwice = "asked-twice" // two answers were equal
	ruleLate  = "late-answer" // whether it may be a late answer, and nothing that somebody printed
)

// asking is what is known of the questions to one balance. Intake.mu guards all of it but the channels.
//
// One question is open at a time, and one goroutine asks (see asker). The goroutine that reads the port decides by the times
// of arrival what is an answer: a whole frame that began after the line was seen empty for the question, and ended before the
// question's time ran out. Which of the two goroutines gets the processor first changes nothing.
type asking struct {
	wake chan struct{} // something that the asker must know of has changed
	jobs chan *job

	open    *question
	guarded bool      // the last question was not answered: its answer may still come
	up      time.Time // the port was opened
	from    time.Time // then, or when a question was given up
	until   time.Time // so long its answer may come after all
	after   time.Duration
	missed  int       // in a row
	acts    allowance // of commands
	ended   bool      // nobody asks any more
	tally   Asked
}

// Asked is what became of the questions to a balance since the start.
type Asked struct {
	Questions uint64 // sent to the balance
	Answers   uint64
	Missed    uint64     // not answered in time, or that could not be sent
	Late      uint64     // frames that came after the time of a question had run out
	Unasked   uint64     // other frames that were no answer
	Differed  uint64     // pairs of answers that were not equal
	Last      record.UTC // when the last answer came; zero where none did
	Why       string     // why the latest question was not answered; "" where it was
}

// mostJobs is how many requests wait for one balance.
const mostJobs = 8

func newAsking() asking {
	return asking{wake: make(chan struct{}, 1), jobs: make(chan *job, mostJobs)}
}

// question is something sent to the balance that waits for a frame.
type question struct {
	send    Bytes
	timeout time.Duration
	after   time.Duration // how late its answer may come
	command bool          // whatever frame comes is the answer, also one that cannot be read
	silent  bool          // no answer is awaited
	keep    bool          // the answer is recorded whatever the capture rule says
	mark    string        // of the request that wants it recorded
	person  string        // it is recorded under no other's name; "": under any
	still   bool          // an answer that the balance calls unstable is not recorded
	first   bool          // the first of two: it is shown, and nothing else
	before  *record.Value // the answer that this one has to be equal to; nil: none

	ends   time.Time // when its time runs out; zero: it is being sent
	heard  string    // why what came meanwhile was no answer
	lost   bool      // the port went while it was open
	answer *answer
	done   chan struct{} // closed with answer or lost set
}

// answer is what a balance answered.
type answer struct {
	record.ReadAnswer
	frame []byte
	why   string   // it does not count; "": it does
	id    *awaited // its entry; nil: it is not recorded
}

// late says whether what came at a time came after the question's time.
func (q *question) late(at time.Time) bool { return !q.ends.IsZero() && at.After(q.ends) }

// replied takes a frame as the answer to a command, if one waits for it. Damaged bytes and what the layout's frame rule calls
// no frame are none.
func (in *Intake) replied(f frame.Frame, stamp record.Stamp) bool {
	q := in.asking.open
	if q == nil || !q.command || q.silent || q.late(in.arrived) || f.Fault != "" || in.damage.of(f, in.splitter.Ends(0)) != "" {
		return false
	}
	in.close(q, &answer{ReadAnswer: record.ReadAnswer{Stamp: stamp}, frame: append([]byte(nil), f.Bytes...)})
	return true
}

// unanswered notes on the question that is open that a frame came which is no answer.
func (in *Intake) unanswered(why string) {
	if q := in.asking.open; q != nil && !q.late(in.arrived) {
		q.heard = why
	}
}

// answered takes a reading as the answer to the question that is open, if there is one, and says whether it did. checked: it is for the
// check of the balance that is under way, and no weighing unless the request wants it recorded. verdicts are on how it came.
func (in *Intake) answered(f frame.Frame, value record.Value, printed *record.Printed, stamp record.Stamp, at time.Time, checked bool, verdicts []record.Verdict) bool {
	q := in.asking.open
	if q == nil || q.command || q.late(in.arrived) || value.Digits == "" && value.Range == layout.InRange.String() {
		return false
	}
	a := &answer{ReadAnswer: record.ReadAnswer{Balance: in.cfg.ID, Stamp: stamp, Value: value, Printed: printed}}
	if q.before != nil {
		verdicts = append(verdicts, record.Verdict{Rule: ruleTwice, Pass: true})
	}
	switch {
	case q.first:
	case q.before != nil && *q.before != value:
		a.why = in.differ(q, f, value, stamp, at)
	case q.keep && !(q.still && value.Stability == layout.Unstable.String()):
		in.keep(q, a, f, stamp, at, verdicts)
	case in.trigger != Printed && !checked:
		in.captureReading(f, value, printed, stamp, at, verdicts)
	}
	in.asking.tally.Last = stamp.UTC
	in.close(q, a)
	return true
}

// close ends a question with its answer.
func (in *Intake) close(q *question, a *answer) {
	in.asking.open, q.answer = nil, a
	close(q.done)
	if q.command {
		return
	}
	in.asking.tally.Answers++
	if a.why == "" {
		in.asking.tally.Why = ""
	}
	if in.asking.missed > 0 {
		in.asking.missed = 0
		in.board.Clear(health.NoAnswer, in.about.ID)
	}
}

// giveUp ends a question without an answer. Its answer may still come.
func (in *Intake) giveUp(q *question) {
	if in.asking.open == q {
		in.asking.open = nil
	}
	in.asking.guarded, in.asking.from = true, in.now()
	in.asking.until, in.asking.after = in.asking.from.Add(q.after), q.after
}

// keep records an answer because a request wants it recorded.
func (in *Intake) keep(q *question, a *answer, f frame.Frame, stamp record.Stamp, at time.Time, verdicts []record.Verdict) {
	r := &in.reading
	if h := in.context.held(record.ItemPerson, at); q.person != "" && h != nil && h.id != q.person {
		a.why = fmt.Sprintf("it would be recorded under the name of %q, who is signed in at the balance, and %q asked for it: sign in there first", h.id, q.person)
		in.putUnread(f.Bytes, a.why, stamp, at)
		return
	}
	if why := in.refusal(); why != "" { // it came out of service while it was asked
		a.why = why
		in.putUnread(f.Bytes, why, stamp, at)
		return
	}
	if !weighable(r) {
		a.why = "the number has no unit: a number without a unit is not a weighing"
		if r.Range != layout.InRange {
			a.why = "the balance showed no value: " + r.Range.String() + " range"
		}
		in.putUnread(f.Bytes, a.why, stamp, at)
		return
	}
	if s := in.capture.settling; s != nil {
		s.feed(r, at) // it comes to rest on this load as on any other, and is recorded once
	}
	t := in.weighing(f, a.Value, a.Printed, stamp)
	t.w.Trigger, t.w.Request = record.TriggerAsked, q.mark
	t.w.Verdicts = append(t.w.Verdicts, verdicts...)
	a.id = in.await(t.body)
	in.record(t, stamp)
}

// differ says that two answers are not equal, so that neither counts. Where it would have been recorded, that is an entry.
// Under the rule settled it would not: two answers that differ are a load that moves.
func (in *Intake) differ(q *question, f frame.Frame, value record.Value, stamp record.Stamp, at time.Time) (why string) {
	in.asking.tally.Differed++
	in.capture.breakOff()
	why = fmt.Sprintf("it was asked twice, and the answers are not equal: %s, then %s", shown(q.before), shown(&value))
	in.asking.tally.Why = why
	if q.keep || in.capture.rule.Kind == Periodic || in.capture.rule.Kind == All {
		in.putUnread(f.Bytes, why, stamp, at)
	}
	return why
}

// shown writes a value for a sentence.
func shown(v *record.Value) string {
	if v.Digits == "" {
		return v.Range + " range"
	}
	return fmt.Sprintf("%s %s (%s)", v.Digits, v.PrintedUnit, v.Stability)
}

// unasked counts a reading that answers nothing, and says with a verdict where it may be a late answer.
func (in *Intake) unasked() []record.Verdict {
	q := in.asking.open
	late := q != nil && q.late(in.arrived)
	if in.asking.guarded && !in.arrived.After(in.asking.until) {
		late = true
	}
	switch {
	case in.cfg.Ask == nil && len(in.cfg.Commands) == 0:
		return nil
	case late:
		in.asking.tally.Late++
		return []record.Verdict{{Rule: ruleLate, Why: "it came after the time for the answer to a question had run out: it may be that answer, of a moment before, and nothing that was printed"}}
	}
	in.asking.tally.Unasked++
	return nil
}

// mute notes that the port has gone: no question is open any more, and none is missed.
func (in *Intake) mute() {
	if q := in.asking.open; q != nil {
		in.giveUp(q)
		q.lost = true
		close(q.done)
	}
	in.asking.missed = 0
	in.board.Clear(health.NoAnswer, in.about.ID)
}

// opened notes that the port is open: the first question waits for a silence.
func (in *Intake) opened(at time.Time) {
	in.asking.up, in.asking.from = at, at
	in.asking.until = at.Add(in.asking.after) // where a question was open when the port went: a device server may have kept the answer
	in.wakeAsker()
}

// wakeAsker has the balance be asked now, and then by its period.
func (in *Intake) wakeAsker() {
	select {
	case in.asking.wake <- struct{}{}:
	default:
	}
}

// askAnew notes that the balance is asked in another way from now on, or not at all.
func (in *Intake) askAnew() {
	in.asking.missed, in.asking.tally.Why = 0, ""
	in.board.Clear(health.NoAnswer, in.about.ID)
	in.wakeAsker()
}

// raiseNoAnswer says that the balance does not answer.
func (in *Intake) raiseNoAnswer(q *question, why string) {
	a := in.cfg.Ask
	if a == nil || in.asking.missed < a.missed() {
		return
	}
	in.board.Raise(health.Condition{
		Code: health.NoAnswer, Subject: in.about.ID, Severity: health.Error,
		Sentence: fmt.Sprintf("Balance %s has not answered the last %d times that it was asked with %s: %s.", in.about.ID, in.asking.missed, q.send, why),
		Remedy: "See that the balance is on and shows a weight; that its menu has it answer over this socket and to this question (send, under ask); " +
			"that the cable has the wire to the balance too, since a cable that only receives cannot ask; and that it answers within " + q.timeout.String() +
			" (timeout). This goes with the next answer.",
	})
}
