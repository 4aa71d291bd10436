package mqtt

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"weighpost/sinks"
)

// session is one connection to the broker, with one client of its own. The client never reconnects: after a loss it is
// thrown away with whatever it had in flight, and the cursor of the sink says what to send next.
type session struct {
	client *client
	status Status

	lost chan struct{} // closed once the connection is gone
	once sync.Once
	why  error // set before lost is closed

	room   []byte   // for the next write; only publish uses it and
	proved []string // topics whose subscription has served

	limit   limits
	echoes  *echoes         // nil without a self-test
	desk    *desk           // nil where no requests are taken
	working *sync.WaitGroup // the client's goroutines; the sink waits for those of all its sessions
	// abandoned says that a Deliver was called off while messages were in flight: their tokens are forgotten, so the next
	// Deliver begins a new session. The connection still serves for an orderly end.
	abandoned bool
	broker    int // which of the sink's brokers it is with
	topics    topics
	leftovers chan string // topics under which the broker keeps a state from earlier
	mirrored  atomic.Bool // a state that we published came back
	careful   bool        // one message at a time, to find the one for which the broker ends the connection
}

// limits are the times within which the broker has to move.
type limits struct {
	connect time.Duration // from dialling to CONNACK
	stall   time.Duration // without any acknowledgement while some are due
	echo    time.Duration // between the acknowledgement and the message coming back
	write   time.Duration // one write to the network
	ping    time.Duration // between two pings, and for their answer
}

func limitsOf(keepAlive time.Duration) limits {
	half := keepAlive / 2
	return limits{connect: min(10*time.Second, max(keepAlive, 5*time.Second)), stall: keepAlive,
		echo: min(10*time.Second, keepAlive), write: min(half, 5*time.Second), ping: half}
}

// begin connects, publishes that we are online and, unless switched off, reads that back.
func begin(ctx context.Context, sink *Sink, broker string, status Status) (*session, error) {
	c, t := &sink.cfg, sink.topics
	address, tlsConfig, err := c.endpoint(broker)
	if err != nil {
		return nil, sinks.Unusable{Err: err}
	}
	var password []byte
	if !c.Password.IsZero() {
		if password, err = c.Password.Resolve(); err != nil {
			return nil, sinks.Unusable{Err: fmt.Errorf("password of the MQTT broker: %w", err)}
		}
	}
	s := &session{status: status, lost: make(chan struct{}), limit: limitsOf(c.KeepAlive.D()), working: &sink.working, desk: sink.desk, careful: sink.careful,
		topics: t, leftovers: make(chan string, leftoverRoom)}
	if c.SelfTest {
		s.echoes = newEchoes()
	}
	asked := noticeRequest(tlsConfig)
	connecting, cancel := context.WithTimeout(ctx, s.limit.connect)
	defer cancel()
	if err := s.connect(connecting, c, address, tlsConfig, s.greeting(c, sink.clientID, password, t)); err != nil {
		return nil, explain(address, err, tlsConfig != nil && asked.Load() && c.Certificate == "")
	}
	if err := s.listen(ctx, t, sink.log); err != nil {
		s.discard(err)
		return nil, fmt.Errorf("MQTT broker %s: %w", address, err)
	}
	hello := message{topic: t.status(), payload: s.status.online(), retain: true, properties: sink.beside()}
	if _, err := s.publish(ctx, []message{hello}); err != nil {
		s.discard(err)
		return nil, fmt.Errorf("MQTT broker %s: %w", address, err)
	}
	return s, nil
}

// greeting is the CONNECT of this session: a clean one, with a last will.
func (s *session) greeting(c *Config, clientID string, password []byte, t topics) greeting {
	g := greeting{client: clientID, user: c.Username, keepAlive: uint16(max(1, s.limit.ping/time.Second)),
		will: &message{topic: t.status(), payload: s.status.will()}}
	if len(password) > 0 {
		g.password = password
	}
	return g
}

// receive takes a message from the broker: a request, a state that it keeps, or one that comes back to us.
func (s *session) receive(a arrival) {
	a.via = s.reply
	if s.desk != nil && s.desk.take(a) {
		return
	}
	if s.topics.isState(a.topic) {
		s.seen(a)
		return
	}
	if s.echoes != nil {
		s.echoes.receive(a.topic, a.payload)
	}
}

var errNoConnection = errors.New("there is no connection to the MQTT broker")

// reply publishes the answer to a request. Its acknowledgement is not waited for: who hears nothing asks again.
func (s *session) reply(m message) error {
	if !s.open() {
		return errNoConnection
	}
	if most := s.client.terms.packet; m.size() > most {
		return fmt.Errorf("the answer has %d bytes, and the broker takes at most %d", m.size(), most)
	}
	return s.client.publish(context.Background(), m)
}

// subscriptionFailed is the return code by which a broker declines a subscription (MQTT 3.1.1 clause 3.9.3), and the first of
// those by which it does in MQTT 5.
const subscriptionFailed = 0x80

// listen subscribes to the topics under which requests come, where they are to be taken. That the broker declines is no
// fault of the connection: weighings go out, and the status says that requests do not come in.
func (s *session) listen(ctx context.Context, t topics, log *slog.Logger) error {
	if s.desk == nil {
		return nil
	}
	var err error
	if s.status.Requests, err = s.listenTo(ctx, t.requests(), log); err != nil {
		return err
	}
	if s.status.Reads, err = s.listenTo(ctx, t.readRequests(), log); err == nil && s.desk.asks != nil {
		s.status.Runs, err = s.listenTo(ctx, t.runRequests(), log)
	}
	return err
}

// listenTo subscribes to filters and says whether requests come in by all of them.
func (s *session) listenTo(ctx context.Context, filters []string, log *slog.Logger) (state string, err error) {
	state = requestsOpen
	for _, filter := range filters {
		code, err := s.hear(ctx, filter)
		if err != nil {
			return "", err
		}
		if code >= subscriptionFailed {
			state = requestsDeclined
			log.Error("no requests come in: the MQTT broker does not let us subscribe to their topics; see its access list", "topics", filter,
				"code", fmt.Sprintf("0x%02x", code))
		}
	}
	return state, nil
}

// granted waits for the answer to one subscription.
type granted chan byte

func (g granted) acknowledged(_ int, a ack) { g <- a.code }

// hear subscribes to one filter and returns what the broker says to that.
func (s *session) hear(ctx context.Context, filter string) (code byte, err error) {
	answer := make(granted, 1)
	id, err := s.client.claim(tagged{answer, 0})
	if err != nil {
		return 0, err
	}
	if err := s.client.write(ctx, s.client.appendSubscribe(nil, filter, id, hearAll)); err != nil {
		return 0, s.broken(ctx, err)
	}
	select {
	case code := <-answer:
		return code, nil
	case <-s.lost:
		return 0, s.lostError()
	case <-ctx.Done():
		return 0, ctx.Err()
	case <-time.After(s.limit.echo):
		return 0, fmt.Errorf("the broker has not answered a subscription for %s", s.limit.echo)
	}
}

// connect opens the network connection, goes through the MQTT handshake, and begins to read.
func (s *session) connect(ctx context.Context, c *Config, address string, t *tls.Config, g greeting) error {
	line, raw, err := dial(ctx, address, t)
	if err != nil {
		return s.late(ctx, err)
	}
	network := newConn(line, raw, s.limit.write)
	s.client = c.client(network, s.limit.ping, s.receive)
	stop := context.AfterFunc(ctx, func() { network.drop(ctx.Err()) })
	err = s.client.hello(g)
	if !stop() && err == nil {
		err = ctx.Err()
	}
	if err != nil {
		network.drop(err)
		return s.late(ctx, err)
	}
	s.working.Go(func() { s.over(s.client.read()) })
	s.working.Go(func() { s.over(s.client.tend(s.lost)) })
	return nil
}

// late words the end of the time for a connection.
func (s *session) late(ctx context.Context, err error) error {
	switch {
	case errors.Is(ctx.Err(), context.DeadlineExceeded):
		return fmt.Errorf("no answer within %s", s.limit.connect)
	case ctx.Err() != nil:
		return ctx.Err()
	}
	return err
}

// over notes why one of the client's goroutines ended, and so has the other end too.
func (s *session) over(why error) {
	if why != nil {
		s.discard(why)
	}
}

// dial opens the network connection. The raw one is that under TLS.
func dial(ctx context.Context, address string, t *tls.Config) (line, raw net.Conn, err error) {
	var d net.Dialer
	if raw, err = d.DialContext(ctx, "tcp", address); err != nil || t == nil {
		return raw, raw, err
	}
	secured := tls.Client(raw, t)
	if err := secured.HandshakeContext(ctx); err != nil {
		raw.Close()
		return nil, nil, err
	}
	return secured, raw, nil
}

// open says whether the connection is up, as far as is known.
func (s *session) open() bool {
	select {
	case <-s.lost:
		return false
	default:
		return true
	}
}

// alive says whether the session can carry another Deliver.
func (s *session) alive() bool { return !s.abandoned && s.open() }

// end notes that the connection is gone, and why.
func (s *session) end(why error) {
	s.once.Do(func() {
		s.why = why
		close(s.lost)
	})
}

// discard throws the session away without a farewell: the broker publishes the last will.
func (s *session) discard(why error) {
	s.end(why)
	s.client.conn.drop(why)
}

// farewell ends the session in good order: the broker hears that we are offline, and forgets the last will.
func (s *session) farewell(ctx context.Context, topic string, payload, beside []byte) error {
	_, err := s.publish(ctx, []message{{topic: topic, payload: payload, retain: true, last: true, properties: beside}})
	if err == nil {
		err = s.client.write(ctx, []byte{disconnect << 4, 0})
	}
	s.discard(errors.New("the sink was closed"))
	return err
}

// lostError words the loss of the connection.
func (s *session) lostError() error {
	<-s.lost
	switch {
	case s.why == nil:
		return errors.New("the connection to the MQTT broker was lost")
	case errors.Is(s.why, io.EOF):
		return errors.New("the MQTT broker closed the connection: it may have stopped, or another client uses the same client_id, " +
			"or its access list forbids what was just published")
	}
	var d dismissed
	if errors.As(s.why, &d) {
		return s.dismissed(d)
	}
	return fmt.Errorf("the connection to the MQTT broker was lost: %w", s.why)
}

// dismissed judges why the broker ended the connection. What is wrong with a message is told as a refusal only where one alone
// was under way; else the next connection sends them one by one.
func (s *session) dismissed(d dismissed) error {
	v := reasonOf(d.code).farewell
	if v == neverEntry && !s.careful {
		v = tryAgain
	}
	return judge(v, d)
}

// choked says whether the broker ended the connection for one of the messages that were under way.
func (s *session) choked() bool {
	var d dismissed
	return !s.open() && errors.As(s.why, &d) && reasonOf(d.code).farewell == neverEntry
}

// fitting gives the leading messages that are no larger than the broker takes, and says what is wrong with the next one.
func (s *session) fitting(messages []message) ([]message, error) {
	for i, m := range messages {
		if most := s.client.terms.packet; m.size() > most {
			return messages[:i], sinks.Refused{Err: fmt.Errorf("a message to %s has %d bytes, and the broker takes at most %d", m.topic, m.size(), most)}
		}
	}
	return messages, nil
}
