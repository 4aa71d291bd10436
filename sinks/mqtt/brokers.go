package mqtt

import (
	"context"
	"crypto/tls"
	"errors"
	"net"
	"net/url"
	"os"
	"slices"
	"strings"
	"time"

	"weighpost/parsers/strict"
	"weighpost/sinks"
)

// Several brokers are one destination: where one cannot be reached the next one gets what comes, and what one has acknowledged
// is not sent to another. So they have to be one cluster, or be bridged: whoever reads from one alone misses what went to others.

// maxBrokers is how many may be listed.
const maxBrokers = 8

// addresses are the brokers in order of preference.
func (c *Config) addresses() []string {
	if len(c.Brokers) > 0 {
		return c.Brokers
	}
	return []string{c.Broker}
}

// checkBrokers checks each address. secure says whether any has TLS.
func (c *Config) checkBrokers(r *strict.Report) (secure bool) {
	at := func(int) *strict.Report { return r.At("broker") }
	if len(c.Brokers) > 0 {
		at = r.At("brokers").Index
		if c.Broker != "" {
			r.At("broker").Fault("is given beside brokers", "one of the two")
		}
	}
	if len(c.Brokers) > maxBrokers {
		r.At("brokers").Fault("has too many addresses", "at most 8")
	}
	plain, seen := false, map[string]bool{}
	for i, address := range c.addresses() {
		u, tls := checkBroker(at(i), address)
		if u == nil {
			secure = true // what is not known is not said to be wrong twice
			continue
		}
		if !tls && !c.Insecure && !loopback(u.Hostname()) {
			at(i).Fault("the connection to "+show(u.Host)+" would not be encrypted: anyone on the way could read and change weighings",
				"mqtts://, a broker on this machine, or insecure: true if you accept that")
		}
		if full := canonical(address); seen[full] {
			at(i).Fault(show(address)+" is in the list already", "each broker once")
		} else {
			seen[full] = true
		}
		secure, plain = secure || tls, plain || !tls
	}
	if secure && plain && len(seen) == len(c.addresses()) {
		r.At("brokers").Fault("holds addresses with TLS and without", "one kind, since all get the same password")
	}
	return secure
}

// canonical writes an address in one way: scheme, host in small letters, port.
func canonical(address string) string {
	u, err := url.Parse(address)
	if err != nil {
		return "an address that is no URL"
	}
	port, secure, _ := transport(u.Scheme)
	scheme := "mqtt"
	if secure {
		scheme = "mqtts"
	}
	if u.Port() != "" {
		port = u.Port()
	}
	return scheme + "://" + net.JoinHostPort(strings.ToLower(u.Hostname()), port)
}

// Destination is the brokers, in whatever order they are preferred, and what all topics begin with.
func (c *Config) Destination() string {
	var all []string
	for _, address := range c.addresses() {
		all = append(all, canonical(address))
	}
	slices.Sort(all)
	return "mqtt " + strings.Join(all, ", ") + " " + c.Prefix + "/"
}

// Claims keep two sinks from one status topic, where the last will of either would overwrite what the other says, and from one
// client id, with which each would throw the other out. A client id that is not given is the sink's own.
func (c *Config) Claims() (claims []sinks.Claim) {
	for _, address := range c.addresses() {
		if u, err := url.Parse(address); err != nil || u.Hostname() == "" {
			continue // a fault of its own
		}
		full := canonical(address)
		claims = append(claims, sinks.Claim{What: "the status topic below " + full + " " + c.Prefix + "/",
			Instead: "another topic_prefix for one of them, or one sink for both"})
		if c.ClientID != "" {
			claims = append(claims, sinks.Claim{What: "the client_id " + show(c.ClientID) + " at " + full,
				Instead: "another client_id for one of them, or none: each sink then has its own"})
		}
	}
	return claims
}

// Rest is for how long a broker that could not be reached is tried after the others, and how often it is asked whether it is back.
const Rest = time.Minute

// Roster is which of several brokers were away lately. It is for one goroutine at a time.
type Roster struct {
	Until []time.Time // before then a broker is tried after those that are not away
}

// NewRoster is of so many brokers, of which none is known to be away.
func NewRoster(brokers int) Roster { return Roster{make([]time.Time, brokers)} }

// Order gives the brokers to try, one after the other: as preferred, those that are away last.
func (r *Roster) Order(now time.Time) []int {
	var first, last []int
	for i, until := range r.Until {
		if now.Before(until) {
			last = append(last, i)
		} else {
			first = append(first, i)
		}
	}
	return append(first, last...)
}

// connect begins a session with the first broker that can be reached.
func (s *Sink) connect(ctx context.Context, status Status) (*session, error) {
	var faults []error
	for _, i := range s.brokers.Order(time.Now()) {
		fresh, err := begin(ctx, s, s.addresses[i], status)
		if err == nil {
			fresh.broker, s.brokers.Until[i] = i, time.Time{}
			if len(faults) > 0 {
				s.log.Warn("an MQTT broker cannot be used, so another one gets what comes", "cause", errors.Join(faults...), "broker", canonical(s.addresses[i]))
			}
			return fresh, nil
		}
		if ctx.Err() != nil {
			return nil, err
		}
		s.brokers.Until[i] = time.Now().Add(s.rest)
		faults = append(faults, err)
	}
	return nil, Together(faults)
}

// Together is one error for several brokers of which none can be used: that of one of them, where another try could help.
func Together(faults []error) error {
	if len(faults) == 1 {
		return faults[0]
	}
	for _, err := range faults {
		if !errors.As(err, new(sinks.Unusable)) && !errors.As(err, new(sinks.Busy)) && !errors.As(err, new(sinks.Refused)) {
			var all []string
			for _, err := range faults {
				all = append(all, err.Error())
			}
			return errors.New("none of the brokers can be used: " + strings.Join(all, "; "))
		}
	}
	return errors.Join(faults...)
}

// silent says whether a connection was lost because the broker said nothing any more: it will not take another one either.
func silent(why error) bool {
	return errors.Is(why, errSilent) || errors.As(why, new(stalled)) || errors.Is(why, os.ErrDeadlineExceeded)
}

// preferred is the broker that should be used rather than the present one, if it is worth asking whether it is back.
func (s *Sink) preferred(ctx context.Context) (broker int, ask bool) {
	if s.take(ctx) != nil {
		return 0, false
	}
	defer s.give()
	if s.session == nil || !s.session.alive() {
		return 0, false
	}
	for i := range s.session.broker {
		if !time.Now().Before(s.brokers.Until[i]) {
			return i, true
		}
	}
	return 0, false
}

// ask tries whether a broker that was away is back, with a connection of its own under another client id.
func (s *Sink) ask(ctx context.Context, broker int) error {
	limit := limitsOf(s.cfg.KeepAlive.D())
	ctx, cancel := context.WithTimeout(ctx, limit.connect)
	defer cancel()
	address, secured, err := s.cfg.endpoint(s.addresses[broker])
	if err != nil {
		return err
	}
	w := witness{cfg: s.cfg, id: s.clientID + "-probe"}
	g, err := w.greeting(limit)
	if err != nil {
		return err
	}
	c, err := w.connectTo(ctx, address, secured, limit, g, func(arrival) {})
	if err != nil {
		return err
	}
	_ = c.write(ctx, []byte{disconnect << 4, 0}) // a courtesy
	c.conn.drop(errors.New("the broker is back"))
	return nil
}

// comeBack goes on with a broker that is preferred and back, between two batches.
func (s *Sink) comeBack(ctx context.Context, broker int, why error) {
	if s.take(ctx) != nil {
		return
	}
	defer s.give()
	if why != nil {
		s.brokers.Until[broker] = time.Now().Add(s.rest)
		return
	}
	s.brokers.Until[broker] = time.Time{}
	last := s.session
	if last == nil || last.broker <= broker {
		return
	}
	if last.alive() {
		limit, cancel := context.WithTimeout(ctx, closeLimit)
		defer cancel()
		_ = last.farewell(limit, s.topics.status(), last.status.moved(time.Now()), s.beside()) // else its last will says so
	}
	s.log.Info("an MQTT broker that is preferred is back", "broker", canonical(s.addresses[broker]))
	s.replace(nil, errors.New("a broker that is preferred is back"))
	if err := s.ready(ctx); err != nil {
		s.log.Warn("no connection to the MQTT broker", "cause", err)
	}
}

// connectTo dials, greets, and begins nothing.
func (w *witness) connectTo(ctx context.Context, address string, t *tls.Config, limit limits, g greeting, take func(arrival)) (*client, error) {
	line, raw, err := dial(ctx, address, t)
	if err != nil {
		return nil, err
	}
	network := newConn(line, raw, limit.write)
	c := w.cfg.client(network, limit.ping, take)
	stop := context.AfterFunc(ctx, func() { network.drop(ctx.Err()) })
	if err = c.hello(g); !stop() && err == nil {
		err = ctx.Err()
	}
	if err != nil {
		network.drop(err)
		return nil, err
	}
	return c, nil
}
