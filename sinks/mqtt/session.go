package mqtt

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/url"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"

	"weighpost/sinks"
)

// session is one connection to the broker, with one client of its own. The client never reconnects: after a loss it is
// thrown away with whatever it had in flight, and the cursor of the sink says what to send next. A client that reconnects
// by itself was seen to complete tokens without an error although nothing had been acknowledged.
type session struct {
	client paho.Client
	status Status

	lost chan struct{} // closed once the connection is gone
	once sync.Once
	why  error // set before lost is closed

	mu   sync.Mutex
	conn *conn

	limit   limits
	echoes  *echoes         // nil without a self-test
	desk    *desk           // nil where no requests are taken
	feeders *sync.WaitGroup // goroutines that hand messages to the client; the sink waits for those of all its sessions
	// abandoned says that a Deliver was called off while messages were in flight: their tokens are forgotten, so the next
	// Deliver begins a new session. The connection still serves for an orderly end.
	abandoned bool
}

// limits are the times within which the broker has to move.
type limits struct {
	connect time.Duration // from dialling to CONNACK
	stall   time.Duration // without any acknowledgement while some are due
	echo    time.Duration // between the acknowledgement and the message coming back
	write   time.Duration // one write to the network
	handoff time.Duration // for the client to take a message; the client sticks to it also after a loss
	ping    time.Duration // between two pings, and for their answer
}

func limitsOf(keepAlive time.Duration) limits {
	half := keepAlive / 2
	return limits{connect: min(10*time.Second, max(keepAlive, 5*time.Second)), stall: keepAlive,
		echo: min(10*time.Second, keepAlive), write: min(half, 5*time.Second), handoff: 2 * time.Second, ping: half}
}

// begin connects, publishes that we are online and, unless switched off, reads that back.
func begin(ctx context.Context, sink *Sink, status Status) (*session, error) {
	c, t := &sink.cfg, sink.topics
	address, tlsConfig, err := c.endpoint()
	if err != nil {
		return nil, sinks.Unusable{Err: err}
	}
	var password []byte
	if !c.Password.IsZero() {
		if password, err = c.Password.Resolve(); err != nil {
			return nil, sinks.Unusable{Err: fmt.Errorf("password of the MQTT broker: %w", err)}
		}
	}
	s := &session{status: status, lost: make(chan struct{}), limit: limitsOf(c.KeepAlive.D()), feeders: &sink.feeders, desk: sink.desk}
	if c.SelfTest {
		s.echoes = newEchoes()
	}
	asked := noticeRequest(tlsConfig)
	connecting, cancel := context.WithTimeout(ctx, s.limit.connect)
	defer cancel()
	o := s.options(c, sink.clientID, string(password), address, t)
	o.SetCustomOpenConnectionFn(func(_ *url.URL, _ paho.ClientOptions) (net.Conn, error) {
		return s.dial(connecting, address, tlsConfig)
	})
	s.client = paho.NewClient(o)
	if err := s.connect(connecting); err != nil {
		return nil, explain(address, err, tlsConfig != nil && asked.Load() && c.Certificate == "")
	}
	if err := s.listen(ctx, t, sink.log); err != nil {
		s.discard(err)
		return nil, fmt.Errorf("MQTT broker %s: %w", address, err)
	}
	hello := message{topic: t.status(), payload: s.status.online(), retain: true}
	if _, err := s.publish(ctx, []message{hello}); err != nil {
		s.discard(err)
		return nil, fmt.Errorf("MQTT broker %s: %w", address, err)
	}
	return s, nil
}

func (s *session) options(c *Config, clientID, password, address string, t topics) *paho.ClientOptions {
	o := paho.NewClientOptions()
	o.AddBroker("tcp://" + address) // only a name here: dial opens the connection
	o.SetClientID(clientID)
	o.SetUsername(c.Username)
	o.SetPassword(password)
	o.SetProtocolVersion(4) // MQTT 3.1.1, and no second attempt with 3.1
	o.SetCleanSession(true)
	o.SetAutoReconnect(false)
	o.SetConnectRetry(false)
	o.SetStore(noStore{})
	o.SetOrderMatters(true)
	o.SetKeepAlive(s.limit.ping)
	o.SetPingTimeout(s.limit.ping)
	o.SetWriteTimeout(s.limit.handoff)
	o.SetConnectTimeout(s.limit.connect)
	o.SetBinaryWill(t.status(), s.status.will(), 1, true)
	o.SetConnectionLostHandler(func(_ paho.Client, err error) { s.end(err) })
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { s.receive(m) })
	return o
}

// receive takes a message from the broker: a request, or one that comes back to us.
func (s *session) receive(m paho.Message) {
	if s.desk != nil && s.desk.take(arrival{m.Topic(), m.Payload(), m.Retained(), m.Duplicate(), s.reply}) {
		return
	}
	if s.echoes != nil {
		s.echoes.receive(m.Topic(), m.Payload())
	}
}

var errNoConnection = errors.New("there is no connection to the MQTT broker")

// reply publishes the answer to a request. Its acknowledgement is not waited for: who hears nothing asks again.
func (s *session) reply(topic string, payload []byte) error {
	if !s.open() {
		return errNoConnection
	}
	return s.client.Publish(topic, 1, false, payload).Error()
}

// subscriptionFailed is the return code by which a broker declines a subscription (MQTT 3.1.1 clause 3.9.3).
const subscriptionFailed = 0x80

// listen subscribes to the topics under which requests come, where they are to be taken. That the broker declines is no
// fault of the connection: weighings go out, and the status says that requests do not come in.
func (s *session) listen(ctx context.Context, t topics, log *slog.Logger) error {
	if s.desk == nil {
		return nil
	}
	s.status.Requests = requestsOpen
	for _, filter := range t.requests() {
		token := s.client.Subscribe(filter, 1, nil).(*paho.SubscribeToken)
		select {
		case <-token.Done():
		case <-s.lost:
			return s.lostError()
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(s.limit.echo):
			return fmt.Errorf("the broker has not answered a subscription for %s", s.limit.echo)
		}
		if token.Result()[filter] == subscriptionFailed {
			s.status.Requests = requestsDeclined
			log.Error("no requests come in: the MQTT broker does not let us subscribe to their topics; see its access list", "topics", filter)
		} else if err := token.Error(); err != nil {
			return fmt.Errorf("subscribing to requests: %w", err)
		}
	}
	return nil
}

// dial opens the network connection for the client.
func (s *session) dial(ctx context.Context, address string, t *tls.Config) (net.Conn, error) {
	var d net.Dialer
	raw, err := d.DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, err
	}
	line := raw
	if t != nil {
		secured := tls.Client(raw, t)
		if err := secured.HandshakeContext(ctx); err != nil {
			raw.Close()
			return nil, err
		}
		line = secured
	}
	c := newConn(line, raw, s.limit.write)
	s.mu.Lock()
	s.conn = c
	s.mu.Unlock()
	return c, nil
}

// connect runs the MQTT handshake and returns when the client has ended it, successfully or not.
func (s *session) connect(ctx context.Context) error {
	token := s.client.Connect()
	select {
	case <-token.Done():
		return token.Error()
	case <-ctx.Done():
	}
	s.drop(ctx.Err())
	select {
	case <-token.Done(): // the dial or the handshake ended with the context
	case <-time.After(s.limit.write):
	}
	s.drop(ctx.Err()) // a connection that came up in the last moment
	if errors.Is(ctx.Err(), context.DeadlineExceeded) {
		return fmt.Errorf("no answer within %s", s.limit.connect)
	}
	return ctx.Err()
}

// open says whether the connection is up, as far as is known.
func (s *session) open() bool {
	select {
	case <-s.lost:
		return false
	default:
		return s.client.IsConnectionOpen()
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

// drop cuts the network connection, from which the client notices that it is lost.
func (s *session) drop(why error) {
	s.mu.Lock()
	c := s.conn
	s.mu.Unlock()
	if c != nil {
		c.drop(why)
	}
}

// discard throws the session away without a farewell: the broker publishes the last will.
func (s *session) discard(why error) {
	s.end(why)
	s.drop(why)
}

// farewell ends the session in good order: the broker hears that we are offline, and forgets the last will.
func (s *session) farewell(ctx context.Context, topic string, payload []byte) error {
	_, err := s.publish(ctx, []message{{topic: topic, payload: payload, retain: true, last: true}})
	if err == nil {
		s.client.Disconnect(uint(s.limit.handoff / time.Millisecond))
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
	return fmt.Errorf("the connection to the MQTT broker was lost: %w", s.why)
}

// noStore keeps nothing: the journal is the outbox.
type noStore struct{}

func (noStore) Open()                             {}
func (noStore) Put(string, packets.ControlPacket) {}
func (noStore) Get(string) packets.ControlPacket  { return nil }
func (noStore) All() []string                     { return nil }
func (noStore) Del(string)                        {}
func (noStore) Close()                            {}
func (noStore) Reset()                            {}
