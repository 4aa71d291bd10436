package nats

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// publish sends the messages in order, as many of them on their way as the pace allows, and returns how many leading ones the stream has
// acknowledged. Without an error all are.
//
// Where another publisher's message came in between, the stream refuses what follows it, as it does after a loss. Then all that
// is on its way is waited for, and it goes on behind the last that is there.
func (l *link) publish(ctx context.Context, messages []*nats.Msg, limit time.Duration) (n int, err error) {
	stop := context.AfterFunc(ctx, l.dialer.close) // a full socket would hold up the library for longer
	defer stop()
	for n < len(messages) {
		done, err := l.run(ctx, messages[n:], limit)
		n += done
		if err == nil {
			continue
		}
		if done == 0 || !overtaken(err) {
			return n, l.judge(err)
		}
		l.pace.overtaken()
	}
	return n, nil
}

// pace is how many messages may be on their way at once. Each but the first of them is bound to the one before it, so that all that are
// behind another publisher's are refused and sent again. Alone on a stream a gateway has as many on their way as its configuration
// allows; among a thousand that deliver at once it has one, and nothing is sent twice.
type pace struct {
	window, most int
	passed       int // acknowledged since the window was last changed
	patience     int // windows that have to pass before it grows
}

// wary is the patience once others were met: then one window in so many is lost to finding out whether they are gone.
const wary = 16

func newPace(most int) pace { return pace{window: 1, most: most, patience: 1} }

func (p *pace) pass() {
	if p.passed++; p.passed >= p.window*p.patience {
		p.window, p.passed = min(2*p.window, p.most), 0
	}
}

func (p *pace) overtaken() { p.window, p.passed, p.patience = max(p.window/2, 1), 0, wary }

// run sends messages. One that goes out while others are on their way is bound to the one before it.
func (l *link) run(ctx context.Context, messages []*nats.Msg, limit time.Duration) (acked int, err error) {
	futures := make([]jetstream.PubAckFuture, 0, len(messages))
	var unsent error
	timer := time.NewTimer(limit)
	defer timer.Stop()
	for acked < len(messages) {
		for unsent == nil && len(futures) < len(messages) && len(futures)-acked < l.pace.window {
			f, err := l.start(messages, len(futures), len(futures) > acked)
			if err != nil {
				unsent = err
				break
			}
			futures = append(futures, f)
		}
		if len(futures) == acked {
			return acked, unsent
		}
		timer.Reset(limit)
		if err := l.wait(ctx, futures[acked], timer.C); err != nil {
			l.settle(ctx, futures[acked+1:], timer.C, err)
			return acked, err
		}
		acked++
		l.pace.pass()
	}
	return acked, nil
}

// start sends one message, bound to the one before it or by itself.
func (l *link) start(messages []*nats.Msg, i int, bound bool) (jetstream.PubAckFuture, error) {
	m := messages[i]
	if err := l.catches(m.Subject); err != nil {
		return nil, err
	}
	if m.Header.Del(jetstream.ExpectedLastMsgIDHeader); bound {
		m.Header.Set(jetstream.ExpectedLastMsgIDHeader, messages[i-1].Header.Get(jetstream.MsgIDHeader))
	}
	// The library would send it again by itself, behind others, when no stream answers.
	return l.js.PublishMsgAsync(m, jetstream.WithRetryAttempts(0))
}

var (
	errLost    = errors.New("the connection was lost before there was an answer")
	errLate    = errors.New("the stream did not acknowledge in time")
	errForeign = errors.New("the acknowledgement is of another stream, or without a sequence")
)

// wait waits for one acknowledgement and looks at it.
func (l *link) wait(ctx context.Context, f jetstream.PubAckFuture, late <-chan time.Time) error {
	select {
	case ack := <-f.Ok():
		if ack == nil || ack.Stream != l.stream || ack.Sequence == 0 {
			return errForeign
		}
		return nil
	case err := <-f.Err():
		return err
	case err := <-l.broken:
		return denied(err)
	case <-ctx.Done():
		return fmt.Errorf("the stream has not acknowledged: %w", ctx.Err())
	case <-l.gone:
		return errLost
	case <-late:
		return errLate
	}
}

// settle waits for what is still on its way once a message before it was refused: nothing may arrive behind what comes next. Where
// the connection is given up that is not needed, as what arrives of it later is bound to what went before.
func (l *link) settle(ctx context.Context, futures []jetstream.PubAckFuture, late <-chan time.Time, why error) {
	if !answered(why) {
		return
	}
	for _, f := range futures {
		if err := l.wait(ctx, f, late); err != nil && !answered(err) {
			return
		}
	}
}

// answered says whether an error is the stream's own answer to a message.
func answered(err error) bool {
	var api *jetstream.APIError
	return errors.As(err, &api)
}
