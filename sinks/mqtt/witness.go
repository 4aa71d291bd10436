package mqtt

import (
	"context"
	"crypto/tls"
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// witness asks a broker what it retains below the topics of a site: the journal's latest checkpoint, and with retain the last
// entry of each topic. It publishes nothing, has no last will, and a client id of its own, so that a daemon that may still be
// connected is not thrown out.
type witness struct {
	cfg    Config
	site   string
	topics topics
	id     string
}

// Witness makes what asks the broker.
func (c *Config) Witness(id string, env sinks.Env) (sinks.Witness, error) {
	if faults := faultsOf(c); faults != nil {
		return nil, fmt.Errorf("sink %s: %w", id, faults)
	}
	client := c.ClientID
	if client == "" {
		client = "weighpost-" + env.Site + "-" + id
	}
	return &witness{cfg: *c, site: env.Site, topics: newTopics(c.Prefix, env.Site), id: client + "-restore"}, nil
}

// Close has nothing to let go of.
func (*witness) Close() error { return nil }

// What is kept of what a broker retains, and how long nothing more may come before that counts as all.
const (
	maxRetained      = 10_000
	maxRetainedBytes = 64 << 20
	retainedQuiet    = time.Second
)

// Held asks the first broker that can be reached.
func (w *witness) Held(ctx context.Context, after uint64) (held sinks.Held, err error) {
	var faults []error
	for _, broker := range w.cfg.addresses() {
		if held, err = w.heldBy(ctx, broker, after); err == nil || ctx.Err() != nil {
			return held, err
		}
		faults = append(faults, err)
	}
	return sinks.Held{}, Together(faults)
}

// heldBy connects, takes what is retained, and goes.
func (w *witness) heldBy(ctx context.Context, broker string, after uint64) (sinks.Held, error) {
	limit := limitsOf(w.cfg.KeepAlive.D())
	address, secured, err := w.cfg.endpoint(broker)
	if err != nil {
		return sinks.Held{}, sinks.Unusable{Err: err}
	}
	greeting, err := w.greeting(limit)
	if err != nil {
		return sinks.Held{}, err
	}
	connecting, cancel := context.WithTimeout(ctx, limit.connect)
	defer cancel()
	asked := noticeRequest(secured)
	c, heard, err := w.connect(connecting, address, secured, limit, greeting)
	if err != nil {
		return sinks.Held{}, explain(address, err, secured != nil && asked.Load() && w.cfg.Certificate == "")
	}
	var working sync.WaitGroup
	over := make(chan struct{})
	working.Go(func() { defer close(over); c.conn.drop(c.read()) })
	defer working.Wait()
	defer c.conn.drop(errors.New("all was heard"))
	all, err := w.subscribe(ctx, c, over, limit.echo)
	if err == nil {
		err = heard.wait(ctx, over)
	}
	if err != nil {
		return sinks.Held{}, fmt.Errorf("MQTT broker %s: %w", address, err)
	}
	_ = c.write(ctx, []byte{disconnect << 4, 0}) // a courtesy
	return w.held(heard, after, all), nil
}

func (w *witness) greeting(limit limits) (greeting, error) {
	g := greeting{client: w.id, user: w.cfg.Username, keepAlive: uint16(max(1, limit.ping/time.Second)) * 4} // it does not last as long
	if !w.cfg.Password.IsZero() {
		password, err := w.cfg.Password.Resolve()
		if err != nil {
			return g, sinks.Unusable{Err: fmt.Errorf("password of the MQTT broker: %w", err)}
		}
		g.password = password
	}
	return g, nil
}

func (w *witness) connect(ctx context.Context, address string, t *tls.Config, limit limits, g greeting) (*client, *retained, error) {
	heard := &retained{at: map[string][]byte{}, news: make(chan struct{}, 1)}
	c, err := w.connectTo(ctx, address, t, limit, g, heard.take)
	return c, heard, err
}

// subscribe asks for the checkpoint, and for everything of the site: an access list may allow the first alone. all says that
// both are granted.
func (w *witness) subscribe(ctx context.Context, c *client, over <-chan struct{}, limit time.Duration) (all bool, err error) {
	var out []byte
	filters := []string{w.topics.checkpoint(), w.topics.base + "/#"}
	answer := make(granted, len(filters))
	for i, filter := range filters {
		id, err := c.claim(tagged{answer, i})
		if err != nil {
			return false, err
		}
		out = c.appendSubscribeOnce(out, filter, id)
	}
	if err := c.write(ctx, out); err != nil {
		return false, err
	}
	late := time.NewTimer(limit)
	defer late.Stop()
	declined := 0
	for range filters {
		select {
		case code := <-answer:
			if code >= subscriptionFailed {
				declined++
			}
		case <-over:
			return false, errOver
		case <-late.C:
			return false, fmt.Errorf("the broker has not answered a subscription for %s", limit)
		case <-ctx.Done():
			return false, ctx.Err()
		}
	}
	if declined == len(filters) {
		return false, errors.New("the broker does not let us subscribe to the topics of the site: see its access list")
	}
	return declined == 0, nil
}

var errOver = errors.New("the broker closed the connection: its access list may forbid to subscribe")

// appendSubscribeOnce writes a SUBSCRIBE at QoS 0: nothing has to be acknowledged, so that the broker sends all at once.
func (c *client) appendSubscribeOnce(b []byte, topic string, id uint16) []byte {
	if c.five {
		return appendSubscribe5(b, topic, id, 0)
	}
	b = appendLength(append(b, subscribe<<4|0x02), 5+len(topic))
	return append(appendText(binary.BigEndian.AppendUint16(b, id), topic), 0)
}

// retained collects what the broker retains.
type retained struct {
	mu    sync.Mutex
	at    map[string][]byte // topic → payload
	bytes int
	full  bool
	news  chan struct{}
}

func (r *retained) take(a arrival) {
	if !a.retained {
		return // live, or just published
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if _, again := r.at[a.topic]; !again && (len(r.at) >= maxRetained || r.bytes+len(a.payload) > maxRetainedBytes) {
		r.full = true
		return
	}
	r.bytes += len(a.payload) - len(r.at[a.topic])
	r.at[a.topic] = a.payload
	select {
	case r.news <- struct{}{}:
	default:
	}
}

// wait returns when nothing more has come for a while.
func (r *retained) wait(ctx context.Context, over <-chan struct{}) error {
	quiet := time.NewTimer(retainedQuiet)
	defer quiet.Stop()
	for {
		select {
		case <-r.news:
			quiet.Reset(retainedQuiet)
		case <-quiet.C:
			return nil
		case <-over:
			return errOver
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// held reads what came.
func (w *witness) held(r *retained, after uint64, all bool) (held sinks.Held) {
	r.mu.Lock()
	defer r.mu.Unlock()
	switch {
	case r.full:
		held.Partial = fmt.Sprintf("the broker retains more than %d messages or %d bytes", maxRetained, maxRetainedBytes)
	case !all:
		held.Partial = "the broker lets us hear the checkpoint alone"
	case !w.cfg.Retain:
		held.Partial = "entries are published without retain, so that the broker does not hold them"
	}
	for _, topic := range slices.Sorted(maps.Keys(r.at)) {
		payload := r.at[topic]
		if topic == w.topics.checkpoint() {
			held.Checkpoints = append(held.Checkpoints, payload)
			continue
		}
		e, err := record.ParseEntry(payload)
		if err == nil && e.Seq > after && len(e.ID) <= maxEntryID && strings.HasPrefix(e.ID, w.site+"/") {
			held.Entries = append(held.Entries, sinks.HeldEntry{ID: e.ID, Seq: e.Seq})
		}
	}
	return held
}

// maxEntryID is longer than any id of weighpost's: three names and a number.
const maxEntryID = 256
