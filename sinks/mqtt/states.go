package mqtt

import (
	"bytes"
	"context"
	"encoding/json"
	"slices"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// How balances and destinations are, each retained under a topic of its own. It goes out beside the deliveries, by the keeper, one
// message after the other and never waited for: a new connection begins with all of it. Whether it still holds the status of
// the site says, and with it the last will: a will of each topic there cannot be.

// states are the bodies by topic. Nobody changes them.
type states map[string][]byte

// States has what is handed over published, and what is missing taken back. It never blocks. What is not JSON is ignored.
func (s *Sink) States(all []sinks.State) {
	list := make(states, len(all))
	for _, one := range all {
		if topic := s.topics.state(one.Of, one.ID); topic != "" && json.Valid(one.Body) {
			list[topic] = one.Body
		}
	}
	s.states.Store(&list)
	select {
	case s.told <- struct{}{}:
	default:
	}
}

// leftoverRoom is how many topics may wait to be taken back. What has no room is found by the next connection.
const leftoverRoom = 256

// board is what a session has shown of the states. Only the keeper uses it.
type board struct {
	sink    *Sink
	session *session         // nil: there is none
	list    *states          // that todo was made of
	todo    []string         // topics that are to be published or taken back
	shown   states           // what the broker keeps; nil for a body that it may keep from an earlier session
	swept   <-chan time.Time // when the subscription that finds leftovers has served; nil: there is none
	out     bool             // something was published while it lasted
	later   <-chan time.Time // when to try again, where the broker had no room; nil: at once
}

func newBoard(s *Sink) *board { return &board{sink: s, shown: states{}} }

// plan finds what is to do where there is a new session or there are new states.
func (b *board) plan(current *session) {
	latest := b.sink.states.Load()
	if b.session == current && b.list == latest {
		return
	}
	if b.session != current {
		b.session, b.swept, b.out = current, nil, false
		for topic := range b.shown {
			b.shown[topic] = nil
		}
	}
	b.list, b.todo = latest, b.todo[:0]
	if current == nil || latest == nil {
		return
	}
	for topic, body := range *latest {
		if !bytes.Equal(b.shown[topic], body) {
			b.todo = append(b.todo, topic)
		}
	}
	for topic := range b.shown {
		if _, there := (*latest)[topic]; !there {
			b.todo = append(b.todo, topic)
		}
	}
	slices.Sort(b.todo)
	b.sweep()
}

// sweep subscribes for a while to all states, once in a session: so what the broker keeps of balances and destinations that
// went while we were away is found, and that it drops what we publish. That it declines is no fault: then neither is found.
func (b *board) sweep() {
	if b.swept == nil {
		b.toAll(func(c *client, filter string, id uint16) []byte { return c.appendSubscribe(nil, filter, id, hearAll) })
		b.swept = time.After(b.session.limit.echo)
	}
}

// always is a channel that is always ready.
var always = func() <-chan time.Time { c := make(chan time.Time); close(c); return c }()

// more is ready when there is something to do.
func (b *board) more() <-chan time.Time {
	switch {
	case b.session == nil || len(b.todo) == 0 || !b.session.open():
		return nil
	case b.later != nil:
		return b.later
	}
	return always
}

// noRoom is how long to wait where the broker has no room for another message: deliveries have all of it.
const noRoom = 20 * time.Millisecond

// next publishes one state. After an error it is left for the next list or the next session.
func (b *board) next() {
	b.later = nil
	topic := b.todo[0]
	body, there := (*b.list)[topic]
	m := message{topic: topic, payload: body, retain: true}
	if there {
		m.properties = b.sink.beside()
	}
	if most := b.session.client.terms.packet; m.size() > most {
		b.sink.log.Warn("the MQTT broker takes no message as large as what is to be shown", "topic", topic, "bytes", m.size(), "most", most)
		b.shown[topic], b.todo = body, b.todo[1:] // not again until it changes
		return
	}
	sent, err := b.session.client.publishNow(context.Background(), m)
	if !sent {
		b.later = time.After(noRoom)
		return
	}
	if b.todo = b.todo[1:]; err != nil {
		return
	}
	if b.out = true; there {
		b.shown[topic] = body
	} else {
		delete(b.shown, topic)
	}
}

// leftovers tells topics under which the broker keeps a state from earlier.
func (b *board) leftovers() <-chan string {
	if b.session == nil {
		return nil
	}
	return b.session.leftovers
}

// forget has a state taken back that is of nothing that is configured.
func (b *board) forget(topic string) {
	if _, there := (*b.list)[topic]; !there && !slices.Contains(b.todo, topic) {
		b.todo = append(b.todo, topic)
	}
}

// sweptAll ends the subscription.
func (b *board) sweptAll() {
	b.swept = make(chan time.Time) // never again in this session
	if b.out && !b.session.mirrored.Load() {
		b.sink.log.Warn("the MQTT broker does not give back what is published of balances and destinations, so nobody may see it: " +
			"its access list has to let us write and read there")
	}
	b.toAll(func(c *client, filter string, id uint16) []byte { return c.appendUnsubscribe(nil, filter, id) })
}

// toAll sends a packet for each filter of states. Its acknowledgement is not waited for; the loss of the connection is met elsewhere.
func (b *board) toAll(packet func(c *client, filter string, id uint16) []byte) {
	c := b.session.client
	for _, filter := range b.sink.topics.stateFilters() {
		if id, err := c.claim(nil); err == nil {
			_ = c.write(context.Background(), packet(c, filter, id))
		}
	}
}

// seen takes a state that the broker sends: one that it keeps, or ours that comes back. It never blocks. What is not of our making is
// left alone.
func (s *session) seen(a arrival) {
	if !a.retained {
		s.mirrored.Store(true)
		return
	}
	var kept struct {
		Schema string `json:"schema"`
	}
	if json.Unmarshal(a.payload, &kept) != nil || kept.Schema != record.BalanceStatusSchema && kept.Schema != record.SinkStatusSchema {
		return
	}
	select {
	case s.leftovers <- a.topic:
	default:
	}
}
