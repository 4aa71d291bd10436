package intake

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/parsers/frame"
)

const (
	// sendRoom is what a question's turn has on top for the way out: the usual limit of a write, and some.
	sendRoom = 5 * time.Second
	// noisy is how long a question waits, beyond the silence that it needs, on a line that does not fall silent.
	noisy = 2 * time.Second
	// glance is how soon a line is looked at again on which something is being dealt with.
	glance = time.Millisecond
	// whileChecked is how often at least a balance that can be asked is asked while a check of it is under way, also one that is asked only on
	// request or while somebody looks, unless people print by its key: the check does not see it otherwise.
	whileChecked = time.Second
)

// shared is a line whose balance others may ask too: see port.Line.Turns.
type shared interface{ Turns() *port.Turns }

// job is what a request asks of the asker.
type job struct {
	left    <-chan struct{} // closed once whoever asked has gone
	read    record.ReadRequest
	command *Command        // nil: a reading is asked for
	entry   *record.Command // that it is about to be sent
	id      string          // of that entry
	answer  *answer         // set when done is closed
	err     error
	done    chan struct{}
}

// leftBehind says whether nobody waits for the answer any more.
func (j *job) leftBehind() bool {
	select {
	case <-j.left:
		return true
	default:
		return false
	}
}

// askAll asks the balance, by itself, for a check and on request, until ctx ends.
func (in *Intake) askAll(ctx context.Context) {
	timer := time.NewTimer(time.Hour)
	defer timer.Stop()
	var next time.Time // when it is asked by itself; zero: now
	var before AskConfig
	var since time.Time
	for {
		ask, up := in.howAsked()
		if up != since || ask != before {
			next, before, since = time.Time{}, ask, up
		}
		var tick <-chan time.Time
		if !up.IsZero() {
			timer.Reset(min(max(next.Sub(in.now()), 0), whileChecked))
			tick = timer.C
		}
		select {
		case <-ctx.Done():
			in.endJobs()
			return
		case <-in.asking.wake: // the port was opened, or the configuration is another
		case j := <-in.asking.jobs:
			in.work(ctx, j)
		case <-tick:
			next = in.askInTurn(ctx, &ask, next)
		}
	}
}

// askInTurn asks a balance whose time has come, or that is being checked, and says when it is asked by itself next.
func (in *Intake) askInTurn(ctx context.Context, ask *AskConfig, next time.Time) time.Time {
	in.mu.Lock()
	// Where people press the print key and nobody asks by itself, the key is what the check waits for: a print of theirs that came while a
	// question was open would count as its answer.
	now, checked := in.now(), in.inCheck() && (ask.Every > 0 || in.trigger != Printed)
	in.mu.Unlock()
	if next.IsZero() {
		next = now
	}
	due := ask.Every > 0 && !now.Before(next)
	if checked || due && (!ask.WhileWatched || in.watched != nil && in.watched()) {
		_, _ = in.askRound(ctx, ask, record.ReadRequest{}) // what was missed is counted and said
	}
	switch {
	case ask.Every == 0:
		return in.now().Add(whileChecked)
	case !due:
		return next
	}
	if next = next.Add(time.Duration(ask.Every)); next.Before(in.now()) {
		next = in.now()
	}
	return next
}

// howAsked is how the balance is asked, and since when its port has been open; zero: it is not asked.
func (in *Intake) howAsked() (ask AskConfig, up time.Time) {
	in.mu.Lock()
	defer in.mu.Unlock()
	if in.cfg.Ask == nil || !in.status.PortUp {
		return AskConfig{}, time.Time{}
	}
	return *in.cfg.Ask, in.asking.up
}

// work carries out a request.
func (in *Intake) work(ctx context.Context, j *job) {
	defer close(j.done)
	ask := in.Config().Ask
	switch {
	case j.leftBehind():
		j.err = context.Canceled
		if j.command != nil {
			in.noteCommand(j, record.CommandNotSent, "whoever asked for it had gone")
		}
	case j.command != nil:
		in.sendCommand(ctx, j)
	case ask == nil:
		j.err = in.cannotAsk()
	default:
		j.answer, j.err = in.askUntilStill(ctx, j, ask)
	}
}

// sendCommand sends a command and writes down what became of it.
func (in *Intake) sendCommand(ctx context.Context, j *job) {
	q := &question{send: j.command.Send, timeout: j.command.timeout(), command: true, silent: j.command.answer() != AnswerFrame}
	j.answer, j.err = in.ask(ctx, q)
	state, why := record.CommandAnswered, ""
	switch {
	case j.err != nil:
		state, why = record.CommandUnanswered, j.err.Error()
		if q.ends.IsZero() {
			state = record.CommandNotSent
		}
	case q.silent:
		state = record.CommandSent
	}
	in.noteCommand(j, state, why)
}

// askUntilStill asks again while the balance says that its weight moves, as long as the request allows.
func (in *Intake) askUntilStill(ctx context.Context, j *job, ask *AskConfig) (*answer, error) {
	ends := in.now().Add(j.read.Wait)
	for {
		a, err := in.askRound(ctx, ask, j.read)
		if err != nil || j.read.Wait == 0 || a.why == "" && a.Value.Stability != "unstable" {
			return a, err
		}
		if !in.now().Before(ends) || j.leftBehind() {
			if a.why == "" {
				a.why = fmt.Sprintf("it did not come to rest within %s: the last answer was %s", j.read.Wait, shown(&a.Value))
			}
			return a, nil
		}
	}
}

// askRound asks once, or twice where the answers must agree.
func (in *Intake) askRound(ctx context.Context, ask *AskConfig, r record.ReadRequest) (*answer, error) {
	q := question{send: ask.Send, timeout: ask.timeout(), keep: r.Record, mark: r.Mark, person: r.Person, still: r.Wait > 0, first: ask.Confirm == 2}
	second := q
	a, err := in.ask(ctx, &q)
	if err != nil || !q.first {
		return a, err
	}
	second.first, second.before = false, &a.Value
	return in.ask(ctx, &second)
}

// ask sends one question and waits for its answer. The error is a *record.NoAnswer, which is counted and said, a
// *record.AskRefused where nothing was sent, or that of ctx.
func (in *Intake) ask(ctx context.Context, q *question) (*answer, error) {
	q.done = make(chan struct{})
	var turns *port.Turns
	turns, q.after = in.before()
	turn, err := turns.Take(ctx, "weighpost", q.after+noisy+sendRoom+q.timeout)
	if err != nil {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		return nil, in.miss(q, err.Error())
	}
	why, err := in.exchange(ctx, turn, q)
	if err != nil || why == "" {
		turn.Done()
		return q.answer, err
	}
	// Nobody else may ask while the answer could still come, since it would be taken for another's.
	time.AfterFunc(q.after, turn.Done)
	return nil, in.miss(q, why)
}

// exchange waits for a silence, sends the question and waits for the answer. why says that none came.
func (in *Intake) exchange(ctx context.Context, turn *port.Turn, q *question) (why string, err error) {
	out, why, err := in.pose(ctx, turn, q)
	if why != "" || err != nil {
		return why, err
	}
	if _, err := out.Write([]byte(q.send)); err != nil {
		return in.unsent(q, err)
	}
	if in.sent(q) {
		return "", nil
	}
	timer := time.NewTimer(q.timeout)
	defer timer.Stop()
	select {
	case <-q.done:
	case <-timer.C:
		in.letArrive(q)
	case <-ctx.Done():
	case <-turn.Over():
	}
	return in.ended(ctx, q)
}

// pose opens the question once the line is silent, so that whatever comes from then on began after it.
func (in *Intake) pose(ctx context.Context, turn *port.Turn, q *question) (out io.Writer, why string, err error) {
	for limit := in.now().Add(q.after + noisy); ; {
		out, wait, err := in.tryPose(q)
		switch {
		case err != nil || out != nil:
			return out, "", err
		case in.now().After(limit):
			return nil, "the line does not fall silent, so that no answer could be told from what the balance sends by itself", nil
		}
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return nil, "", ctx.Err()
		case <-turn.Over():
			timer.Stop()
			return nil, "its turn was over before the line was silent", nil
		}
	}
}

// tryPose opens the question if the line is silent, or says when to look again.
func (in *Intake) tryPose(q *question) (out io.Writer, wait time.Duration, err error) {
	in.mu.Lock()
	defer in.mu.Unlock()
	out, can := in.line.(io.Writer)
	if !in.status.PortUp || !can {
		return nil, 0, in.portDown()
	}
	now := in.now()
	if wait := in.silentIn(now, q.after); wait > 0 {
		return nil, wait, nil
	}
	in.asking.guarded = false
	in.asking.open = q
	if q.command {
		in.capture.disturb()
	}
	return out, 0, nil
}

// silentIn is how long the line has to be silent still before a question, 0 for no longer. After a missed answer, and behind
// a frame that has no end, the silence is the longer one: what is still to come then is no answer to the next question.
func (in *Intake) silentIn(now time.Time, late time.Duration) time.Duration {
	need, unfinished := in.quiet, in.splitter.Unfinished()
	if in.asking.guarded || unfinished {
		need = max(need, late)
	}
	since := in.arrived
	if in.asking.from.After(since) {
		since = in.asking.from
	}
	if left := need - now.Sub(since); left > 0 {
		return left
	}
	if l, ok := in.line.(quieter); ok {
		switch quiet, known := l.Quiet(); {
		case known && !quiet:
			return glance
		case known:
			in.arrivals.look(now)
		}
	}
	if unfinished {
		in.cutOff(now)
	}
	return 0
}

const (
	cutByQuestion = "its end had not come when the balance was asked"
	beginningCut  = "its beginning may be missing: an unfinished line was cut off before it, and the rest of a longer line would read the same way"
)

// cutOff ends a frame whose end does not come, so that no answer is joined to it.
func (in *Intake) cutOff(now time.Time) {
	cut := false
	in.splitter.Flush(func(f frame.Frame) {
		if f.Fault == "" { // one that a silence ends
			in.frame(f)
			return
		}
		cut = true
		in.refuse(f.Bytes, cutByQuestion, in.stamp(now), now)
		in.forget(f.End)
	})
	in.opening = opening{heard: true, quiet: !cut, why: beginningCut}
}

// sent notes that the question is on its way, and says whether that is all.
func (in *Intake) sent(q *question) (all bool) {
	in.mu.Lock()
	defer in.mu.Unlock()
	if !q.command {
		in.asking.tally.Questions++
	}
	q.ends = in.now().Add(q.timeout)
	if q.silent && in.asking.open == q {
		in.asking.open, q.answer = nil, &answer{}
	}
	return q.silent
}

// unsent says why a question did not go out, or not whole.
func (in *Intake) unsent(q *question, err error) (why string, _ error) {
	in.mu.Lock()
	defer in.mu.Unlock()
	switch {
	case q.answer != nil:
		return "", nil // it went out after all
	case q.lost || errors.Is(err, port.ErrDown):
		in.giveUp(q)
		return "", in.portDown()
	}
	in.giveUp(q)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return "it could not be sent: flow control at the balance holds it back", nil
	}
	return fmt.Sprintf("it could not be sent: %v", err), nil
}

// letArrive waits a moment for what has reached this computer in time and was not dealt with yet.
func (in *Intake) letArrive(q *question) {
	in.mu.Lock()
	l, ok := in.line.(quieter)
	in.mu.Unlock()
	if !ok {
		return
	}
	for range untold / glance {
		if quiet, known := l.Quiet(); quiet || !known {
			return
		}
		select {
		case <-q.done:
			return
		case <-time.After(glance):
		}
	}
}

// ended says why a question has no answer, or "".
func (in *Intake) ended(ctx context.Context, q *question) (why string, _ error) {
	in.mu.Lock()
	defer in.mu.Unlock()
	switch {
	case q.answer != nil:
		return "", nil
	case q.lost:
		return "", in.portDown()
	}
	in.giveUp(q)
	if ctx.Err() != nil {
		return "", ctx.Err()
	}
	if q.heard != "" {
		return fmt.Sprintf("what came within %s is no answer: %s", q.timeout, trimStop(q.heard)), nil
	}
	return fmt.Sprintf("nothing came within %s", q.timeout), nil
}

// miss counts a question that was not answered.
func (in *Intake) miss(q *question, why string) error {
	in.mu.Lock()
	defer in.mu.Unlock()
	what := "has not answered"
	switch {
	case !q.command:
		in.asking.tally.Missed++
		in.asking.tally.Why = trimStop(why)
		in.asking.missed++
		in.raiseNoAnswer(q, why)
	case q.ends.IsZero():
		what = "has not got the command, or not all of it"
	default:
		what = "got the command and has not answered"
	}
	return &record.NoAnswer{Why: fmt.Sprintf("Balance %s %s: %s.", in.about.ID, what, why)}
}

// before is what has to be known before a question: whose turn it is, and how late an answer may come after its time.
func (in *Intake) before() (turns *port.Turns, late time.Duration) {
	in.mu.Lock()
	defer in.mu.Unlock()
	if l, ok := in.line.(shared); ok {
		turns = l.Turns()
	}
	if in.cfg.Ask != nil {
		return turns, in.cfg.Ask.late()
	}
	return turns, (&AskConfig{}).late()
}

func (in *Intake) portDown() error {
	return &record.AskRefused{Why: fmt.Sprintf("The port of balance %s (%s) is not open: see the conditions.", in.about.ID, in.cfg.Port.Address)}
}
