package sparkplug

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"

	"weighpost/sinks"
)

// session is one connection, from CONNECT to its end. Its seq and its messages belong to whoever holds the sink's lock.
type session struct {
	client mqtt.Client
	limit  time.Duration
	bdSeq  int
	seq    int
	began  time.Time
	lost   chan error // has room for one
	taken  func(mqtt.Client, mqtt.Message)
	ending sync.Once

	mu   sync.Mutex
	conn net.Conn
}

// quietSpell is how long DISCONNECT may take, in milliseconds.
const quietSpell = 100

// dial connects with the death certificate as the last will, and listens for commands. A new client for each connection, without
// the library's own reconnecting, keeps seq and bdSeq in our hands.
func (s *Sink) dial(ctx context.Context, broker, bdSeq int) (*session, error) {
	address, secure, err := s.cfg.link().Endpoint(broker)
	if err != nil {
		return nil, sinks.Unusable{Err: err}
	}
	session := &session{limit: s.limit, bdSeq: bdSeq, lost: make(chan error, 1), began: time.Now()}
	o := mqtt.NewClientOptions().SetClientID(s.clientID()).SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false)
	o.SetProtocolVersion(4).SetKeepAlive(s.cfg.KeepAlive.D() / 2).SetPingTimeout(s.cfg.KeepAlive.D() / 2).SetConnectTimeout(s.limit).SetWriteTimeout(s.limit)
	o.SetBinaryWill(s.names.own(ndeath), session.death(), 1, false)
	o.AddBroker("tcp://" + address).SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
		return session.open(ctx, address, secure)
	})
	if s.cfg.Username != "" {
		o.SetUsername(s.cfg.Username)
	}
	if !s.cfg.Password.IsZero() {
		password, err := s.cfg.Password.Resolve()
		if err != nil {
			return nil, sinks.Unusable{Err: err}
		}
		o.SetPassword(string(password))
	}
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) { session.end(err) })
	session.taken = s.command
	session.client = mqtt.NewClient(o)
	if err := session.wait(ctx, session.client.Connect()); err != nil {
		session.drop(err)
		return nil, turnedAway(err)
	}
	if err := session.fence(ctx, s.names.own(ncmd)); err != nil {
		session.drop(err)
		return nil, err
	}
	return session, nil
}

func (s *Sink) clientID() string {
	if s.cfg.ClientID != "" {
		return s.cfg.ClientID
	}
	return "weighpost-sparkplug-" + s.names.group + "-" + s.names.node
}

// turnedAway tells a broker that refuses us from one that cannot be reached.
func turnedAway(err error) error {
	for _, code := range []error{packets.ErrorRefusedBadUsernameOrPassword, packets.ErrorRefusedNotAuthorised, packets.ErrorRefusedIDRejected, packets.ErrorRefusedBadProtocolVersion} {
		if errors.Is(err, code) {
			return sinks.Unusable{Err: fmt.Errorf("the broker refuses the connection: %w", err)}
		}
	}
	return fmt.Errorf("the broker cannot be reached: %w", err)
}

// command takes what hosts ask for. It is called by the client's goroutine and does not wait.
func (s *Sink) command(_ mqtt.Client, m mqtt.Message) {
	asks, err := asksRebirth(m.Payload())
	if err != nil {
		s.log.Warn("a Sparkplug command cannot be read and is left alone", "why", err)
	}
	if !asks {
		return
	}
	select {
	case s.wish <- struct{}{}:
	default: // one is due already, and answers this too
	}
}

// death is the death certificate of the session: its bdSeq, and no seq (chapter 6, "NDEATH").
func (s *session) death() []byte {
	return payload{at: time.Now(), metrics: []metric{{"bdSeq", int64(s.bdSeq), good}}, seq: -1}.encode()
}

// publish sends a message with the next number, at QoS 0 and not retained, as the standard has it.
func (s *session) publish(topic string, p payload) error {
	p.at, p.seq = time.Now(), s.seq
	s.seq = (s.seq + 1) % 256
	return s.wait(context.Background(), s.client.Publish(topic, 0, false, p.encode()))
}

// fence waits until the broker has read all that was sent before: it answers a SUBSCRIBE, here the one for commands again, only
// after that (MQTT 3.1.1 clause 4.6 for the order on one connection).
func (s *session) fence(ctx context.Context, topic string) error {
	token := s.client.Subscribe(topic, 1, s.taken)
	if err := s.wait(ctx, token); err != nil {
		return err
	}
	if granted := token.(*mqtt.SubscribeToken).Result()[topic]; granted > 2 {
		return sinks.Unusable{Err: fmt.Errorf("the broker does not let us listen to %s, which Sparkplug needs: give this user the right to subscribe to it", topic)}
	}
	return nil
}

// farewell publishes the death certificate before a DISCONNECT (chapter 5, "Edge Node Session Termination").
func (s *session) farewell(topic string) {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	if s.wait(ctx, s.client.Publish(topic, 1, false, s.death())) == nil { // otherwise the will says the same
		s.ending.Do(func() { s.client.Disconnect(quietSpell) })
	}
}

// open makes the network connection, and keeps it in reach.
func (s *session) open(ctx context.Context, address string, secure *tls.Config) (conn net.Conn, err error) {
	ctx, cancel := context.WithTimeout(ctx, s.limit)
	defer cancel()
	if secure == nil {
		conn, err = new(net.Dialer).DialContext(ctx, "tcp", address)
	} else {
		conn, err = (&tls.Dialer{Config: secure}).DialContext(ctx, "tcp", address)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.conn = conn
	return conn, err
}

// end notes that the connection is of no more use, and why.
func (s *session) end(why error) {
	select {
	case s.lost <- why:
	default: // the first reason is kept
	}
}

// drop ends the connection without a DISCONNECT, so that the broker publishes the last will.
func (s *session) drop(why error) {
	s.end(fmt.Errorf("it was given up: %w", why))
	s.ending.Do(func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.conn != nil {
			_ = s.conn.Close() // it is given up
		}
		s.client.Disconnect(0)
	})
}

// wait waits for an acknowledgement, or until ctx or the time ends.
func (s *session) wait(ctx context.Context, token mqtt.Token) error {
	timer := time.NewTimer(s.limit)
	defer timer.Stop()
	select {
	case <-token.Done():
		return token.Error()
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return fmt.Errorf("the broker has not answered for %s", s.limit)
	}
}
