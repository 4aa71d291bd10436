// Package sparkplug shows what balances weigh in a Sparkplug B 3.0.0 namespace (Eclipse Sparkplug Specification 3.0.0): the
// gateway is a node, each balance a device. The standard publishes births and data at QoS 0, so that neither broker nor host
// acknowledges anything to us: it is a live feed beside the delivery of record, and never instead of it.
//
// What can be done is done: a batch counts as delivered once the broker has answered a question that was sent after it, on the
// same connection. A broker works off what a connection sends in order, so that it has read the batch by then; that a host got
// it nobody knows. What was recorded before the session began, or goes out late, is marked historical.
package sparkplug

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/format"
	"weighpost/sinks/mqtt"
)

const rebirth = "Node Control/Rebirth"

// Types of message (chapter 4).
const (
	nbirth = "NBIRTH"
	ndeath = "NDEATH"
	ncmd   = "NCMD"
	dbirth = "DBIRTH"
	ddata  = "DDATA"
	ddeath = "DDEATH"
)

// names make topics.
type names struct{ group, node string }

func (c *Config) names(env sinks.Env) names {
	n := names{c.Group, c.Node}
	if n.node == "" {
		n.node = format.TopicLevel(env.Site)
	}
	return n
}

func (n names) own(kind string) string { return "spBv1.0/" + n.group + "/" + kind + "/" + n.node }
func (n names) device(kind, balance string) string {
	return n.own(kind) + "/" + format.TopicLevel(balance)
}

// device is one balance.
type device struct {
	born    bool // in this session
	metrics []metric
	taken   time.Time
}

// Sink is one node. A goroutine keeps its session until Close.
type Sink struct {
	cfg   Config
	names names
	log   *slog.Logger
	limit time.Duration // for each answer of the broker
	most  time.Duration // between two attempts to make a session

	end  context.CancelFunc
	done chan struct{}
	wish chan struct{} // a host asks for births

	mu      sync.Mutex
	session *session // nil while there is none
	why     error    // why there is none
	changed chan struct{}
	devices map[string]*device
	order   []string // of devices, as they came

	bdSeq   int         // of the next session; only keep uses it, and
	brokers mqtt.Roster // of which those come last that could not be used lately
}

// New makes the sink. The broker need not be there.
func New(cfg Config, id string, env sinks.Env) (*Sink, error) {
	return patient(cfg, id, env, answerLimit, mostWait)
}

// answerLimit is how long each answer of the broker may take.
const answerLimit = 10 * time.Second

func patient(cfg Config, id string, env sinks.Env, limit, most time.Duration) (*Sink, error) {
	ctx, cancel := context.WithCancel(context.Background())
	s := &Sink{cfg: cfg, names: cfg.names(env), log: env.Logger(id), limit: limit, most: most, end: cancel, done: make(chan struct{}), wish: make(chan struct{}, 1),
		brokers: mqtt.NewRoster(cfg.link().HowMany()), why: errors.New("the broker was not asked yet"), changed: make(chan struct{}), devices: map[string]*device{}}
	if s.names.node == "" {
		cancel()
		return nil, errors.New("the node has no name: write node")
	}
	go s.keep(ctx)
	return s, nil
}

// Far is the broker's host and port; "" where there are several.
func (s *Sink) Far() string { return s.cfg.link().Far() }

const (
	firstWait = 100 * time.Millisecond
	mostWait  = 30 * time.Second
)

// keep makes sessions, one after the other, until ctx ends, and gives a birth to everything when a host asks for it.
func (s *Sink) keep(ctx context.Context) {
	defer close(s.done)
	wait := firstWait
	for ctx.Err() == nil {
		began := time.Now()
		session, err := s.connect(ctx)
		if err == nil {
			err = s.attend(ctx, session)
			s.leave(session, ctx.Err() != nil)
		}
		s.set(nil, err)
		if ctx.Err() != nil {
			return
		}
		if time.Since(began) > s.most {
			wait = firstWait
		}
		s.log.Info("no session with the Sparkplug broker", "why", err, "next try in", wait)
		select {
		case <-time.After(wait):
		case <-ctx.Done():
		}
		wait = min(2*wait, s.most)
	}
}

// set makes a session the one that Deliver uses, or says why there is none.
func (s *Sink) set(session *session, why error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.session, s.why = session, why
	close(s.changed)
	s.changed = make(chan struct{})
}

// reach makes a session with the first broker that can be used: as preferred, those that could not be lately last. Each CONNECT
// has a number of its own (chapter 6, "bdSeq").
func (s *Sink) reach(ctx context.Context) (*session, error) {
	var faults []error
	for _, broker := range s.brokers.Order(time.Now()) {
		bdSeq := s.bdSeq
		s.bdSeq = (bdSeq + 1) % 256
		session, err := s.dial(ctx, broker, bdSeq)
		if err == nil || ctx.Err() != nil {
			s.brokers.Until[broker] = time.Time{}
			return session, err
		}
		s.brokers.Until[broker] = time.Now().Add(mqtt.Rest)
		faults = append(faults, err)
	}
	return nil, mqtt.Together(faults)
}

// connect makes a session and announces the node with all its devices.
func (s *Sink) connect(ctx context.Context) (*session, error) {
	session, err := s.reach(ctx)
	if err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.births(session); err != nil {
		session.drop(err)
		return nil, err
	}
	s.session, s.why = session, nil
	close(s.changed)
	s.changed = make(chan struct{})
	return session, nil
}

// attend waits until a session ends, and answers those who ask for births meanwhile.
func (s *Sink) attend(ctx context.Context, session *session) error {
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case err := <-session.lost:
			return fmt.Errorf("the connection to the broker is lost: %w", err)
		case <-s.wish:
			s.mu.Lock()
			err := s.births(session)
			s.mu.Unlock()
			if err != nil {
				return err
			}
		}
	}
}

// leave ends a session; in good order with a death of our own.
func (s *Sink) leave(session *session, inOrder bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.session = nil
	if inOrder {
		session.farewell(s.names.own(ndeath))
	}
	session.drop(errors.New("the sink leaves it"))
}

// births announces the node and each device that was ever heard of, with its latest values (chapter 5). The lock is held.
func (s *Sink) births(session *session) error {
	session.seq = 0
	node := payload{metrics: []metric{{"bdSeq", int64(session.bdSeq), good}, {rebirth, false, good}}}
	if err := session.publish(s.names.own(nbirth), node); err != nil {
		return err
	}
	for _, name := range s.order {
		d := s.devices[name]
		d.born = false
		if err := s.bear(session, name, d); err != nil {
			return err
		}
	}
	return nil
}

// bear announces a device.
func (s *Sink) bear(session *session, name string, d *device) error {
	if err := session.publish(s.names.device(dbirth, name), payload{metrics: d.metrics, taken: d.taken}); err != nil {
		return err
	}
	d.born = true
	return nil
}

// Deliver publishes entries in order, at QoS 0, and counts them as delivered once the broker has read them.
func (s *Sink) Deliver(ctx context.Context, entries []record.Entry) (int, error) {
	if len(entries) == 0 {
		return 0, nil
	}
	session, err := s.ready(ctx)
	if err != nil {
		return 0, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.session != session {
		return 0, errors.New("the session with the broker ended just now")
	}
	n := 0
	for ; n < len(entries); n++ {
		if err := s.tell(session, entries[n]); err != nil {
			var refused sinks.Refused
			if !errors.As(err, &refused) {
				session.drop(err)
				return 0, err
			}
			if ferr := session.fence(ctx, s.names.own(ncmd)); ferr != nil {
				return 0, ferr
			}
			return n, err
		}
	}
	if err := session.fence(ctx, s.names.own(ncmd)); err != nil {
		session.drop(err)
		return 0, err
	}
	return n, nil
}

// ready waits for a session.
func (s *Sink) ready(ctx context.Context) (*session, error) {
	for {
		s.mu.Lock()
		session, why, changed := s.session, s.why, s.changed
		s.mu.Unlock()
		if session != nil {
			return session, nil
		}
		var unusable sinks.Unusable
		if errors.As(why, &unusable) {
			return nil, why
		}
		select {
		case <-changed:
		case <-s.done:
			return nil, errors.New("the sink is closed")
		case <-ctx.Done():
			return nil, fmt.Errorf("there is no session with the broker: %w", why)
		}
	}
}

// mostMessage is the largest message, in bytes; that of a weighing has less than 2,000. MQTT 3.1.1 has no way to ask what a broker takes,
// and one that gets more ends the connection: then one entry would keep all others from going out. The number is common practice.
const mostMessage = 64 << 10

// tell publishes one entry.
func (s *Sink) tell(session *session, e record.Entry) error {
	d := s.devices[e.Balance]
	if d == nil {
		d = &device{metrics: without()}
		s.devices[e.Balance] = d
		s.order = append(s.order, e.Balance)
	}
	switch {
	case e.Kind == record.KindPortDown:
		return s.silence(session, e.Balance, d)
	case !d.born:
		if err := s.bear(session, e.Balance, d); err != nil {
			return err
		}
	}
	if !e.Kind.Numbered() {
		return nil
	}
	list, taken, err := weighed(e)
	if err != nil {
		return sinks.Refused{Err: err}
	}
	// The birth that follows a lost connection carries the same values: so none is too large either.
	if n := len(payload{metrics: list, taken: taken, historical: true}.encode()); n > mostMessage {
		return sinks.Refused{Err: fmt.Errorf("entry %s makes a message of %d bytes, and at most %d are published: a text in it is too long", e.ID, n, mostMessage)}
	}
	if e.Late || taken.Before(session.began) {
		// What is historical does not change what a host shows as the present value, so all of it is sent.
		return session.publish(s.names.device(ddata, e.Balance), payload{metrics: list, taken: taken, historical: true})
	}
	if err := session.publish(s.names.device(ddata, e.Balance), payload{metrics: changed(d.metrics, list), taken: taken}); err != nil {
		return err
	}
	d.metrics, d.taken = list, taken
	return nil
}

// silence says that a device can no longer be heard.
func (s *Sink) silence(session *session, name string, d *device) error {
	if !d.born {
		return nil
	}
	if err := session.publish(s.names.device(ddeath, name), payload{}); err != nil {
		return err
	}
	d.born = false
	return nil
}

// Close says farewell and waits for the goroutine to end.
func (s *Sink) Close() error {
	s.end()
	<-s.done
	return nil
}
