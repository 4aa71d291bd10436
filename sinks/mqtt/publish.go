package mqtt

import (
	"context"
	"fmt"
	"sync"
	"time"
)

const (
	window = 64 // messages that may wait for their acknowledgement at a time
	// stretch is how many bytes are written at once, and one message more. What a stalled write may hold up is bounded by it.
	stretch = 64 << 10
)

// message is one publication at QoS 1.
type message struct {
	topic   string
	payload []byte
	retain  bool
	last    bool // no message follows, so nothing is learnt by reading it back
}

// batch is the messages of one publish on their way.
type batch struct {
	messages []message
	echoes   []*echo  // nil where nothing has to come back
	ids      []uint16 // of those that were sent
	done     int      // leading ones that are acknowledged and, where due, came back

	mu    sync.Mutex
	acked []bool
	moved chan struct{} // an acknowledgement came
}

func newBatch(messages []message) *batch {
	return &batch{messages: messages, echoes: make([]*echo, len(messages)), ids: make([]uint16, 0, len(messages)),
		acked: make([]bool, len(messages)), moved: make(chan struct{}, 1)}
}

// acknowledged is called by the goroutine that reads.
func (b *batch) acknowledged(i int, _ byte) {
	b.mu.Lock()
	b.acked[i] = true
	b.mu.Unlock()
	select {
	case b.moved <- struct{}{}:
	default:
	}
}

// head says whether the first message that is not done was acknowledged.
func (b *batch) head() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.acked[b.done]
}

// publish sends messages in order, several in flight, and returns how many leading ones the broker has acknowledged; on a
// topic that this session has not used before, also that the first came back. On any error the session is of no further
// use, except after the end of ctx, where it is marked as abandoned.
func (s *session) publish(ctx context.Context, messages []message) (n int, err error) {
	if len(messages) == 0 {
		return 0, nil
	}
	b := newBatch(messages)
	stall := time.NewTimer(s.limit.stall)
	defer stall.Stop()
	for b.done < len(messages) && err == nil {
		if err = s.feed(ctx, b); err == nil {
			err = s.await(ctx, b, stall)
		}
	}
	if err != nil && ctx.Err() != nil {
		s.abandoned, err = true, ctx.Err()
	}
	if err == nil && len(s.proved) > 0 {
		_ = s.client.write(ctx, s.unprove()) // what was acknowledged stays so; the next use of the session meets the fault
	}
	return b.done, err
}

// feed writes what may be in flight, once half of it has been acknowledged, so that one write carries many messages.
func (s *session) feed(ctx context.Context, b *batch) error {
	if len(b.ids)-b.done > window/2 {
		return nil
	}
	for len(b.ids) < len(b.messages) && len(b.ids)-b.done < window {
		out := s.unprove()
		for len(b.ids) < len(b.messages) && len(b.ids)-b.done < window && len(out) < stretch {
			i := len(b.ids)
			m := b.messages[i]
			var err error
			if b.echoes[i], out, err = s.watch(out, m); err != nil {
				return err
			}
			id, err := s.client.claim(tagged{b, i})
			if err != nil {
				return err
			}
			b.ids = append(b.ids, id)
			out = appendPublish(out, m, id)
		}
		if err := s.client.write(ctx, out); err != nil {
			return s.broken(ctx, err)
		}
		if cap(out) <= 2*stretch {
			s.room = out[:0]
		}
	}
	return nil
}

// await waits until at least one more message is done, and takes all that are.
func (s *session) await(ctx context.Context, b *batch, stall *time.Timer) error {
	for {
		n, behind := s.advance(b)
		switch {
		case n > 0:
			stall.Reset(s.limit.stall)
			return nil
		case behind != nil:
			return s.awaitEcho(ctx, behind, stall)
		}
		select {
		case <-b.moved:
		case <-s.lost:
			if n, _ := s.advance(b); n > 0 { // acknowledgements that came with the end count
				return nil
			}
			return s.lostError()
		case <-ctx.Done():
			return ctx.Err()
		case <-stall.C:
			return s.stalled()
		}
	}
}

// awaitEcho waits for a message to come back that has been acknowledged.
func (s *session) awaitEcho(ctx context.Context, e *echo, stall *time.Timer) error {
	stall.Reset(s.limit.echo)
	select {
	case <-e.came:
		stall.Reset(s.limit.stall)
		return nil
	case <-s.lost:
		return s.lostError()
	case <-ctx.Done():
		return ctx.Err()
	case <-stall.C:
		return errDropped(e.topic)
	}
}

// advance counts the messages that are done now. behind is what the next one waits for, where it was acknowledged and has
// not come back.
func (s *session) advance(b *batch) (n int, behind *echo) {
	for b.done < len(b.ids) && b.head() {
		if e := b.echoes[b.done]; !e.arrived() {
			return n, e
		} else if e != nil {
			s.echoes.prove(e.topic)
			s.proved = append(s.proved, e.topic)
		}
		b.done++
		n++
	}
	return n, nil
}

// unprove writes what gives up the subscriptions that have served, into the room for the next write.
func (s *session) unprove() []byte {
	out := s.room[:0]
	for _, topic := range s.proved {
		id, err := s.client.claim(nil)
		if err != nil {
			break // the subscription stays, and costs the broker a little
		}
		out = appendUnsubscribe(out, topic, id)
	}
	s.proved = s.proved[:0]
	return out
}

// broken words the failure of a write.
func (s *session) broken(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	s.end(err)
	return s.lostError()
}

func (s *session) stalled() error {
	return fmt.Errorf("the MQTT broker has not acknowledged anything for %s", s.limit.stall)
}
