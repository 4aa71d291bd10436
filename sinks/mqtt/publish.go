package mqtt

import (
	"context"
	"fmt"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// window is how many messages may wait for their acknowledgement at a time.
const window = 64

// message is one publication at QoS 1.
type message struct {
	topic   string
	payload []byte
	retain  bool
	last    bool // no message follows, so nothing is learnt by reading it back
}

// flight is a message that was handed to the client.
type flight struct {
	token paho.Token
	echo  *echo // nil where nothing has to come back
}

// publish sends messages in order, several in flight, and returns how many leading ones the broker has acknowledged; on a
// topic that this session has not used before, also that the first came back. On any error the session is of no further
// use, except after the end of ctx, where it is marked as abandoned.
//
// The client's own Publish may block for as long as a write may, so a goroutine does that part. It ends when publish
// returns or within the write limit after it.
func (s *session) publish(ctx context.Context, messages []message) (n int, err error) {
	f := feed{
		s: s, messages: messages,
		slots:   make(chan struct{}, window),
		flights: make(chan flight, window),
		proved:  make(chan string, len(messages)),
		stop:    make(chan struct{}),
	}
	s.feeders.Add(1)
	go f.run()
	defer close(f.stop)
	stall := time.NewTimer(s.limit.stall)
	defer stall.Stop()
	for n < len(messages) {
		if err := s.settled(ctx, &f, stall); err != nil {
			n += f.acknowledged()
			if ctx.Err() != nil {
				s.abandoned = true
			}
			return n, err
		}
		n++
		<-f.slots
		stall.Reset(s.limit.stall)
	}
	return n, nil
}

// settled waits until the first message in flight is acknowledged and, where a self-test is due, came back.
func (s *session) settled(ctx context.Context, f *feed, stall *time.Timer) error {
	if f.head == nil {
		select {
		case next := <-f.flights:
			f.head = &next
		case <-s.lost:
			return s.lostError()
		case <-ctx.Done():
			return ctx.Err()
		case <-stall.C:
			return s.stalled()
		}
	}
	select {
	case <-f.head.token.Done():
	case <-s.lost:
		return s.lostError()
	case <-ctx.Done():
		return ctx.Err()
	case <-stall.C:
		return s.stalled()
	}
	if err := f.head.token.Error(); err != nil {
		return s.unacknowledged(ctx, err)
	}
	if e := f.head.echo; e != nil {
		stall.Reset(s.limit.echo)
		select {
		case <-e.came:
			s.echoes.prove(e.topic)
			f.proved <- e.topic
		case <-s.lost:
			return s.lostError()
		case <-ctx.Done():
			return ctx.Err()
		case <-stall.C:
			return errDropped(e.topic)
		}
	}
	f.head = nil
	return nil
}

// unacknowledged words the error of a token. The client ends its tokens shortly before it tells why the connection was lost.
func (s *session) unacknowledged(ctx context.Context, err error) error {
	select {
	case <-s.lost:
		return s.lostError()
	case <-ctx.Done():
	case <-time.After(s.limit.handoff):
	}
	return fmt.Errorf("the MQTT broker did not acknowledge: %w", err)
}

func (s *session) stalled() error {
	return fmt.Errorf("the MQTT broker has not acknowledged anything for %s", s.limit.stall)
}

// feed hands the messages of one publish to the client.
type feed struct {
	s        *session
	messages []message
	slots    chan struct{} // one for each message in flight
	flights  chan flight
	proved   chan string // topics whose subscription has served
	stop     chan struct{}
	head     *flight // the first in flight; only publish uses it
}

func (f *feed) run() {
	defer f.s.feeders.Done()
	for _, m := range f.messages {
		if !f.slot() {
			break
		}
		fl := flight{echo: f.s.watch(m)}
		fl.token = f.s.client.Publish(m.topic, 1, m.retain, m.payload)
		f.flights <- fl // has room: a slot is held
		if fl.token.Error() != nil {
			break // it was not sent, so none behind it may be: they would arrive before it
		}
	}
	f.tidy()
}

// slot waits until one more message may be in flight, and meanwhile gives up subscriptions that are no longer needed.
func (f *feed) slot() bool {
	for {
		select {
		case <-f.stop:
			return false
		case <-f.s.lost:
			return false
		default:
		}
		select {
		case f.slots <- struct{}{}:
			return true
		case topic := <-f.proved:
			f.s.client.Unsubscribe(topic)
		case <-f.stop:
			return false
		case <-f.s.lost:
			return false
		}
	}
}

// tidy gives up subscriptions until publish has ended and none is left.
func (f *feed) tidy() {
	for {
		select {
		case topic := <-f.proved:
			f.s.client.Unsubscribe(topic)
			continue
		case <-f.s.lost:
			return
		default:
		}
		select {
		case topic := <-f.proved:
			f.s.client.Unsubscribe(topic)
		case <-f.stop:
			if len(f.proved) == 0 {
				return
			}
		case <-f.s.lost:
			return
		}
	}
}

// acknowledged counts what else of the leading messages had been acknowledged when publish was broken off. What is counted
// too low is delivered again.
func (f *feed) acknowledged() (n int) {
	for {
		if f.head == nil {
			select {
			case next := <-f.flights:
				f.head = &next
			default:
				return n
			}
		}
		select {
		case <-f.head.token.Done():
		default:
			return n
		}
		if f.head.token.Error() != nil || !f.head.echo.arrived() {
			return n
		}
		n, f.head = n+1, nil
	}
}
