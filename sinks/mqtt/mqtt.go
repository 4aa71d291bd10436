// Package mqtt delivers entries to an MQTT broker, in version 3.1.1 or 5. It owns the connection, the names of the topics and what counts
// as accepted there; what to send, when to try again and what to set aside is package deliver's business.
//
// Topics, with the site's and the balance's name as configured:
//
//	weighpost/<site>/<balance>/weighing   the exact bytes of an entry, QoS 1; likewise …/result, …/unread and so on
//	weighpost/<site>/@/<kind>             entries that are about no balance
//	weighpost/<site>/<balance>/live       the continuous stream, QoS 0, only if asked for; readings may be missing
//	weighpost/<site>/status               retained: online with the conditions that hold, or offline with the reason;
//	                                      also the last will
//	weighpost/<site>/<balance>/status     retained: how a balance is (record.BalanceStatus), as long as the status of the site is
//	                                      online; none once the balance is not configured any more
//	weighpost/<site>/@/sink/<id>/status   the same of a destination (record.SinkStatus)
//	weighpost/<site>/checkpoint           retained: the journal's latest signed checkpoint
//	weighpost/<site>/<balance>/context/set, …/context/change
//	                                      only if asked for: requests from others (record.ParseContextRequest has their form)
//	                                      for what the next weighings are tied to, all of it or what they name
//	weighpost/<site>/<balance>/context/answer
//	                                      what became of each request, QoS 1
//	weighpost/<site>/<balance>/read/ask, …/read/answer
//	                                      only if asked for: requests for the weight that the balance shows
//	                                      (record.ParseSentReadRequest has their form), and what became of them, QoS 1
//
// Promised: an entry counts as delivered only when its PUBACK was received, so nothing is lost when a link dies; after a
// loss the same entries may arrive again, with the same id; the first arrivals of each balance are in order. Each
// connection has a new client with a clean session, and the first message on each topic is read back (see Config.SelfTest).
//
// A request is carried out when its answer says so, which is after the journal has it, and never twice when it carries a
// mark of its sender: it may be sent again after a loss. What was published while there was no connection is not heard
// (clean session), and what the broker retained is refused. The requests for one balance are carried out one after the other, in
// the order in which they came. In MQTT 5 an answer goes to the response topic of its request as well, with its correlation data.
//
// In MQTT 5 each message has its media type, the user properties weighpost-id, weighpost-kind, weighpost-seq and, where it comes
// late, weighpost-late, and what its format adds; a broker can say why it does not take a message, and the table in reasons.go
// says what that means. A broker that turns one message down for a reason that passes, and takes those behind it that were under
// way already, gets it after them.
//
// Not promised: a PUBACK is the broker's word. What it does not write to its disk before it acknowledges, or drops because
// a subscriber's queue is full, is lost there.
package mqtt

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// Sink is one connection to one broker. It implements sinks.Sink, and the optional sinks.Checkpointer,
// sinks.Liver, sinks.Statuser and sinks.StateShower.
type Sink struct {
	cfg      Config
	id       string
	site     string
	clientID string
	topics   topics
	writer   writer
	log      *slog.Logger

	working sync.WaitGroup
	turn    chan struct{} // held while the session is used or replaced; a channel, so that waiting for it obeys ctx
	session *session      // under turn

	current atomic.Pointer[session] // the same session, for the live stream, which never waits
	live    chan record.Live
	dropped atomic.Uint64

	conditions atomic.Pointer[[]byte] // latest, for the status topic
	told       chan struct{}          // tells the keeper that they changed, or the states
	states     atomic.Pointer[states] // latest

	desk *desk // nil where no requests are taken

	careful   bool     // see session.careful; under turn
	addresses []string // of the brokers, in order of preference
	brokers   Roster   // under turn
	rest      time.Duration
	asked     chan struct{} // tells the keeper that a broker was asked whether it is back

	pause func(failures int, unusable bool) time.Duration // before the keeper tries again
	stop  context.CancelFunc
	ended chan struct{} // closed by the keeper
	woken chan struct{} // tells the keeper that the session changed
}

// New makes the sink and begins to connect in the background. A Config that has faults is refused; a broker that cannot
// be reached is not an error here.
func New(c Config, id string, env sinks.Env) (*Sink, error) { return newSink(c, id, env, Rest) }

func newSink(c Config, id string, env sinks.Env, rest time.Duration) (*Sink, error) {
	if faults := faultsOf(&c); faults != nil {
		return nil, fmt.Errorf("sink %s: %w", id, faults)
	}
	s := &Sink{
		cfg: c, id: id, site: env.Site, clientID: c.ClientID, topics: newTopics(c.Prefix, env.Site), log: env.Logger(id),
		turn: make(chan struct{}, 1), live: make(chan record.Live, liveRoom), pause: pause,
		addresses: c.addresses(), brokers: NewRoster(c.HowMany()), rest: rest, asked: make(chan struct{}, 1),
		ended: make(chan struct{}), woken: make(chan struct{}, 1), told: make(chan struct{}, 1),
	}
	var err error
	if s.writer, err = newWriter(&s.cfg, env.Site, env); err != nil {
		return nil, fmt.Errorf("sink %s: %w", id, err)
	}
	if s.clientID == "" {
		s.clientID = "weighpost-" + env.Site + "-" + id
	}
	if c.Requests && (env.Contexts == nil || env.Reader == nil) {
		return nil, fmt.Errorf("sink %s: requests are to be taken, and there is nobody who carries them out", id)
	}
	if c.Runs && env.Requests == nil {
		return nil, fmt.Errorf("sink %s: requests for runs are to be taken, and there is nobody who carries them out", id)
	}
	if !c.Runs {
		env.Requests = nil
	}
	ctx, cancel := context.WithCancel(context.Background())
	s.stop = cancel
	if c.Requests {
		s.desk = newDesk(ctx, s.topics, env, id, c.Records, s.log, s.reply)
	}
	go s.keep(ctx)
	return s, nil
}

// Deliver publishes the entries and returns how many leading ones the broker acknowledged. An empty batch only makes sure
// that there is a connection. Refused is returned for an entry that MQTT cannot carry, Unusable for credentials,
// certificates and access lists that a person has to mend; everything else is worth another try.
func (s *Sink) Deliver(ctx context.Context, entries []record.Entry) (int, error) {
	messages, refused := s.messages(entries)
	n, err := s.send(ctx, messages)
	if err == nil {
		err = refused
	}
	return n, err
}

// Checkpoint publishes the journal's signed checkpoint, retained.
func (s *Sink) Checkpoint(ctx context.Context, signedNote []byte) error {
	_, err := s.send(ctx, []message{{topic: s.topics.checkpoint(), payload: signedNote, retain: true}})
	return err
}

// messages turns the leading entries that MQTT can carry into messages, and says what is wrong with the next one.
func (s *Sink) messages(entries []record.Entry) ([]message, error) {
	messages := make([]message, 0, len(entries))
	for _, e := range entries {
		m, err := s.writer.message(e)
		if err != nil {
			return messages, err
		}
		messages = append(messages, m)
	}
	return messages, nil
}

// send publishes in the current session, or in a new one if there is none.
func (s *Sink) send(ctx context.Context, messages []message) (int, error) {
	if err := s.take(ctx); err != nil {
		return 0, err
	}
	defer s.give()
	if err := s.ready(ctx); err != nil {
		return 0, err
	}
	fitting, refused := s.session.fitting(messages)
	n, err := s.session.publish(ctx, fitting)
	switch {
	case err == nil:
		s.careful = s.careful && len(messages) == 0
		return n, refused
	case ctx.Err() != nil:
		return n, err
	}
	s.careful = s.careful || s.session.choked()
	if !errors.As(err, new(turnedDown)) || !s.session.alive() {
		s.replace(nil, err)
	}
	return n, err
}

// reply publishes an answer in the current session. After a loss it is not published later: who asked has to ask again.
func (s *Sink) reply(m message) error {
	current := s.current.Load()
	if current == nil {
		return errNoConnection
	}
	return current.reply(m)
}

// ready makes sure that there is a session that can be used. The caller holds the turn.
func (s *Sink) ready(ctx context.Context) error {
	if s.session != nil && s.session.alive() {
		return nil
	}
	s.replace(nil, errors.New("replaced by a new connection"))
	status := newStatus(s.site, s.id, time.Now())
	status.say(s.conditions.Load())
	fresh, err := s.connect(ctx, status)
	if err != nil {
		return err
	}
	s.replace(fresh, nil)
	return nil
}

// replace puts another session, or none, in the place of the current one. The caller holds the turn.
func (s *Sink) replace(next *session, why error) {
	if s.session == next {
		return
	}
	if s.session != nil {
		s.session.discard(why)
		if silent(s.session.why) {
			s.brokers.Until[s.session.broker] = time.Now().Add(s.rest)
		}
	}
	s.session = next
	s.current.Store(next)
	select {
	case s.woken <- struct{}{}:
	default:
	}
}

func (s *Sink) take(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	select {
	case s.turn <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (s *Sink) give() { <-s.turn }

// closeLimit bounds Close: the farewell is worth no longer wait.
const closeLimit = time.Second

// Close says farewell to the broker, if it can be reached, and ends all goroutines: at once with a broker that answers, and
// within about 4 s otherwise.
func (s *Sink) Close() error {
	s.stop()
	<-s.ended
	if s.desk != nil {
		s.desk.close()
	}
	s.turn <- struct{}{} // no Deliver follows, so nobody holds it for long
	defer s.give()
	defer s.working.Wait()
	if s.session == nil {
		return nil
	}
	last := s.session
	if last.open() {
		ctx, cancel := context.WithTimeout(context.Background(), closeLimit)
		defer cancel()
		if err := last.farewell(ctx, s.topics.status(), last.status.stopped(time.Now()), s.beside()); err != nil {
			s.log.Warn("the MQTT broker could not be told that we stop; it will publish the last will", "cause", err)
		}
	}
	s.replace(nil, errors.New("the sink was closed"))
	return nil
}
