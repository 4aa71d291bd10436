package mqtt

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"math/rand/v2"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// liveRoom is how many readings of the continuous stream may wait.
const liveRoom = 64

// Live hands one reading to the lossy stream. It never blocks: a reading is dropped while there is no connection, and when
// 64 are waiting already.
func (s *Sink) Live(r record.Live) {
	if !s.cfg.Live {
		return
	}
	if s.current.Load() == nil {
		s.dropped.Add(1)
		return
	}
	select {
	case s.live <- r:
	default:
		s.dropped.Add(1)
	}
}

// LiveDropped is how many readings of the continuous stream were dropped since the start.
func (s *Sink) LiveDropped() uint64 { return s.dropped.Load() }

// keep is the goroutine that lives as long as the sink. It carries the live stream, and it holds the connection while nothing is delivered, so
// that the status topic tells the truth and the live stream goes on. Entries are published by Deliver alone.
func (s *Sink) keep(ctx context.Context) {
	defer close(s.ended)
	failures, logged := 0, ""
	retry := time.NewTimer(0)
	defer retry.Stop()
	look := time.NewTicker(s.rest)
	defer look.Stop()
	if len(s.addresses) < 2 {
		look.Stop()
	}
	asking, board := false, newBoard(s)
	for {
		var lost <-chan struct{}
		current := s.current.Load()
		if current != nil {
			lost, failures = current.lost, 0
		}
		board.plan(current)
		select {
		case <-ctx.Done():
			return
		case r := <-s.live:
			s.carry(current, r)
		case <-look.C:
			if !asking {
				asking = true
				s.working.Go(func() {
					if broker, ask := s.preferred(ctx); ask {
						s.comeBack(ctx, broker, s.ask(ctx, broker))
					}
					s.asked <- struct{}{}
				})
			}
		case <-s.asked:
			asking = false
		case <-board.more():
			board.next()
		case topic := <-board.leftovers():
			board.forget(topic)
		case <-board.swept:
			board.sweptAll()
		case <-s.told:
			s.tell(s.current.Load())
		case <-s.woken:
			if fresh := s.current.Load(); fresh != nil {
				s.tell(fresh)
			} else {
				retry.Reset(s.pause(failures, false))
			}
		case <-lost:
			s.log.Warn("connection to the MQTT broker lost", "cause", current.why)
			s.current.CompareAndSwap(current, nil)
			retry.Reset(s.pause(failures, false))
		case <-retry.C:
			err := s.hold(ctx)
			if err == nil || ctx.Err() != nil {
				logged = ""
				continue
			}
			if text := err.Error(); text != logged {
				s.log.Warn("no connection to the MQTT broker", "cause", err)
				logged = text
			}
			failures++
			retry.Reset(s.pause(failures, errors.As(err, new(sinks.Unusable))))
		}
	}
}

// Status has the conditions published with the status topic. It never blocks. What is not JSON is ignored.
func (s *Sink) Status(conditions []byte) {
	if !json.Valid(conditions) {
		return
	}
	own := bytes.Clone(conditions)
	s.conditions.Store(&own)
	select {
	case s.told <- struct{}{}:
	default:
	}
}

// tell publishes the status anew if the conditions changed since it was last published. Its acknowledgement is not waited
// for: after a loss the next connection begins with the latest conditions.
func (s *Sink) tell(current *session) {
	latest := s.conditions.Load()
	if current == nil || current.status.said == latest {
		return
	}
	current.status.say(latest)
	_ = current.client.publish(context.Background(), message{topic: s.topics.status(), payload: current.status.online(), retain: true, properties: s.beside()})
}

// hold connects if there is no connection.
func (s *Sink) hold(ctx context.Context) error {
	if err := s.take(ctx); err != nil {
		return err
	}
	defer s.give()
	return s.ready(ctx)
}

// carry publishes one reading of the continuous stream. It may block as long as one write may; the stream drops meanwhile.
func (s *Sink) carry(current *session, r record.Live) {
	if current == nil || !current.open() {
		s.dropped.Add(1)
		return
	}
	payload, err := json.Marshal(r)
	if err != nil {
		s.dropped.Add(1)
		return
	}
	if err := current.client.publishOnce(context.Background(), message{topic: s.topics.live(r.Balance), payload: payload, properties: s.beside()}); err != nil {
		s.dropped.Add(1)
	}
}

// pause is how long the keeper waits before it connects again: 1 s at first, doubled up to 30 s, with ± 20 % so that many
// daemons do not return at one instant; 5 minutes where a person has to act first, so that no account is locked.
func pause(failures int, unusable bool) time.Duration {
	d := min(time.Second<<min(failures, 5), 30*time.Second)
	if unusable {
		d = 5 * time.Minute
	}
	return time.Duration(float64(d) * (0.8 + 0.4*rand.Float64()))
}
