package deliver

import (
	"context"
	"encoding/hex"
	"fmt"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// mostGiven is how long a destination's own name for an entry may be, in bytes.
const mostGiven = 500

// answers takes what came back for the first n entries of a delivery. What is about other entries is dropped, as is what came back
// for an answer: two sinks that deliver each other's answers would never come to an end.
func (r *Runner) answers(batch []record.Entry, n int) []record.Answered {
	given := r.receipts()
	if len(given) == 0 {
		return nil
	}
	accepted := make(map[uint64]record.Entry, n)
	for _, e := range batch[:n] {
		accepted[e.Seq] = e
	}
	var list []record.Answered
	for _, a := range given {
		e, ok := accepted[a.Seq]
		if !ok {
			r.deps.Log.Warn("the sink has an answer for an entry that it did not accept just now; the answer is dropped", "seq", a.Seq)
			continue
		}
		if a.ID = e.ID; e.Kind != record.KindSinkAnswered {
			list = append(list, tidy(a))
		}
	}
	return list
}

// receipts asks the sink what came back.
func (r *Runner) receipts() (given []record.Answered) {
	sink, ok := r.sink.(sinks.Receipter)
	if !ok {
		return nil
	}
	defer func() {
		if p := recover(); p != nil {
			given = nil
			r.deps.Log.Error("the sink panicked", "panic", p)
		}
	}()
	return sink.Receipts()
}

// tidy keeps what comes from outside to a length, and a hash only where it is one.
func tidy(a record.Answered) record.Answered {
	a.Given = shorten(a.Given, mostGiven)
	if b, err := hex.DecodeString(a.SHA256); err != nil || len(b) != 32 {
		a.SHA256 = ""
	}
	return a
}

// recordAnswers has the journal keep what came back, before anything counts as delivered. It goes on trying as long as the journal
// cannot be written. False: the Runner is to end before, so that the entries come again and are answered again.
func (r *Runner) recordAnswers(ctx context.Context, list []record.Answered) bool {
	for len(list) > 0 {
		some := list[:min(len(list), record.MostAnswered)]
		body := &record.SinkAnswered{Sink: r.cfg.ID, Answers: some, Stamp: r.deps.Stamp()}
		if !r.persist(ctx, "what the destination answered is not recorded yet", func(ctx context.Context) error {
			_, err := r.log.Append(ctx, body)
			return err
		}) {
			return false
		}
		list = list[len(some):]
	}
	return true
}

// persist carries out what has to be in the journal before the Runner may go on. At the end of the Runner it has a moment left for
// that. False: it is not there.
func (r *Runner) persist(ctx context.Context, otherwise string, act func(ctx context.Context) error) bool {
	for tries := 0; ; {
		actx, cancel := context.WithCancel(context.WithoutCancel(ctx))
		stop := context.AfterFunc(ctx, func() {
			timer := time.AfterFunc(grace, cancel)
			context.AfterFunc(actx, func() { timer.Stop() })
		})
		err := act(actx)
		stop()
		cancel()
		if err == nil {
			return true
		}
		if ctx.Err() != nil {
			return false
		}
		r.deps.Log.Warn(otherwise, "error", err)
		r.missed(fmt.Errorf("%s: %w", otherwise, err))
		pause(ctx, r.backOff(&tries))
	}
}
