package mqtt

import (
	"context"
	"errors"
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
	// properties are what goes beside the message in MQTT 5, as appendProperties writes it.
	properties []byte
}

// size is how many bytes the message has on the wire at most.
func (m message) size() int {
	return 2*5 + 2 + len(m.topic) + 2 + 3 + len(m.properties) + len(m.payload)
}

// batch is the messages of one publish on their way.
type batch struct {
	messages []message
	echoes   []*echo  // nil where nothing has to come back
	ids      []uint16 // of those that were sent
	done     int      // leading ones that are acknowledged and, where due, came back

	mu    sync.Mutex
	acked []bool
	said  map[int]ack   // answers that are no success
	moved chan struct{} // an acknowledgement came
}

func newBatch(messages []message) *batch {
	return &batch{messages: messages, echoes: make([]*echo, len(messages)), ids: make([]uint16, 0, len(messages)),
		acked: make([]bool, len(messages)), moved: make(chan struct{}, 1)}
}

// acknowledged is called by the goroutine that reads.
func (b *batch) acknowledged(i int, a ack) {
	b.mu.Lock()
	b.acked[i] = true
	if a.code >= failed {
		if b.said == nil {
			b.said = make(map[int]ack)
		}
		b.said[i] = a
	}
	b.mu.Unlock()
	select {
	case b.moved <- struct{}{}:
	default:
	}
}

// head says whether the first message that is not done was acknowledged, and why the broker does not take it, if so.
func (b *batch) head() (acked bool, refusal error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if a, refused := b.said[b.done]; refused {
		return true, a.refusal(b.messages[b.done].topic)
	}
	return b.acked[b.done], nil
}

// settled says whether all that was sent was acknowledged in one way or the other.
func (b *batch) settled() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i := b.done; i < len(b.ids); i++ {
		if !b.acked[i] {
			return false
		}
	}
	return true
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
		if err = s.feed(ctx, b, stall); err == nil {
			err = s.await(ctx, b, stall)
		}
	}
	var turned turnedDown
	if errors.As(err, &turned) {
		return b.done, turnedDown{s.refused(ctx, b, turned.error, stall)}
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
func (s *session) feed(ctx context.Context, b *batch, stall *time.Timer) error {
	room := s.window()
	if len(b.ids)-b.done > room/2 {
		return nil
	}
	for full := false; !full && len(b.ids) < len(b.messages) && len(b.ids)-b.done < room; {
		out := s.unprove()
		for len(b.ids) < len(b.messages) && len(b.ids)-b.done < room && len(out) < stretch {
			if full = !s.client.occupy(); full {
				break
			}
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
			out = s.client.appendNumbered(out, m, id)
		}
		if len(out) == 0 {
			break
		}
		if err := s.client.write(ctx, out); err != nil {
			return s.broken(ctx, err)
		}
		if cap(out) <= 2*stretch {
			s.room = out[:0]
		}
	}
	if len(b.ids) == b.done { // all places are taken by what is no part of a batch
		return s.awaitPlace(ctx, stall)
	}
	return nil
}

// window is how many messages of a batch may wait for their acknowledgement.
func (s *session) window() int {
	if s.careful {
		return 1
	}
	return min(window, s.client.terms.window)
}

// awaitPlace waits until the broker lets us send another message.
func (s *session) awaitPlace(ctx context.Context, stall *time.Timer) error {
	select {
	case s.client.slots <- struct{}{}:
		s.client.release()
		return nil
	case <-s.lost:
		return s.lostError()
	case <-ctx.Done():
		return ctx.Err()
	case <-stall.C:
		return s.stalled()
	}
}

// await waits until at least one more message is done, and takes all that are.
func (s *session) await(ctx context.Context, b *batch, stall *time.Timer) error {
	if len(b.ids) == b.done {
		return nil // nothing was sent yet
	}
	for {
		n, behind, refusal := s.advance(b)
		switch {
		case n > 0:
			stall.Reset(s.limit.stall)
			return nil
		case refusal != nil:
			return turnedDown{refusal}
		case behind != nil:
			return s.awaitEcho(ctx, behind, stall)
		}
		select {
		case <-b.moved:
		case <-s.lost:
			if n, _, refusal := s.advance(b); n > 0 { // acknowledgements that came with the end count
				return nil
			} else if refusal != nil {
				return turnedDown{refusal}
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
// not come back; refusal, why the broker does not take it.
func (s *session) advance(b *batch) (n int, behind *echo, refusal error) {
	for b.done < len(b.ids) {
		acked, refusal := b.head()
		if !acked || refusal != nil {
			return n, nil, refusal
		}
		if e := b.echoes[b.done]; !e.arrived() {
			return n, e, nil
		} else if e != nil {
			s.echoes.prove(e.topic)
			s.proved = append(s.proved, e.topic)
		}
		b.done++
		n++
	}
	return n, nil, nil
}

// turnedDown is that the broker has answered a message with a reason code and goes on with the connection.
type turnedDown struct{ error }

func (t turnedDown) Unwrap() error { return t.error }

// refused waits for the answers to what was sent behind a message that the broker did not take, so that the connection can
// serve on, and returns why it was not. Those that were taken will be sent again, with the same id.
func (s *session) refused(ctx context.Context, b *batch, why error, stall *time.Timer) error {
	topic := b.messages[b.done].topic
	clear(s.client.aliases) // a broker may have forgotten the number with the message
	for stall.Reset(s.limit.stall); !b.settled(); {
		select {
		case <-b.moved:
		case <-s.lost:
			return why
		case <-stall.C:
			s.abandoned = true
			return why
		case <-ctx.Done():
			s.abandoned = true
			return why
		}
	}
	if s.echoes != nil {
		s.echoes.forget(topic)
	}
	return why
}

// unprove writes what gives up the subscriptions that have served, into the room for the next write.
func (s *session) unprove() []byte {
	out := s.room[:0]
	for _, topic := range s.proved {
		id, err := s.client.claim(nil)
		if err != nil {
			break // the subscription stays, and costs the broker a little
		}
		out = s.client.appendUnsubscribe(out, topic, id)
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
	return stalled{fmt.Errorf("the MQTT broker has not acknowledged anything for %s", s.limit.stall)}
}

// stalled is that the broker owes acknowledgements and sends none.
type stalled struct{ error }
