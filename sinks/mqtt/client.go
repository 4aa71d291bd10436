package mqtt

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	packets5 "github.com/eclipse/paho.golang/packets"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// client is one MQTT conversation, 3.1.1 or 5, from CONNECT to the end of the connection. It knows packets and their
// identifiers; what is sent, and what an acknowledgement means, is the session's affair. A conversation with a broker that
// only ever gets QoS 1 needs little, and a general client spends several times as much on each message.
//
// Two goroutines live until the connection ends: read takes what the broker sends, tend sends what nobody waits for (pings
// and our own acknowledgements), so that reading never waits for writing.
type client struct {
	conn  *conn
	in    *bufio.Reader
	ping  time.Duration
	five  bool // MQTT 5
	terms      // what the broker lets us do
	// slots has one element for each message at QoS 1 that is not acknowledged, and room for as many as the broker takes
	// (MQTT 5.0 clause 4.9). nil without a limit.
	slots   chan struct{}
	aliases map[string]uint16 // topics that the broker knows by a number; only the goroutine that publishes batches uses it

	small [8]byte // body of a packet that is no message; only read uses it

	take func(arrival) // called by read; must not block

	turn chan struct{} // held while a packet is written

	mu     sync.Mutex
	last   uint16 // packet identifier given last
	due    map[uint16]waiter
	acks   []byte // PUBACKs that tend has to send
	nudge  chan struct{}
	pinged bool // and not answered
}

// waiter is told of an acknowledgement. A nil one is only counted as taken.
type waiter interface {
	// acknowledged is called by read with the packet's tag and what the broker says. It must not block.
	acknowledged(tag int, a ack)
}

type tagged struct {
	waiter
	tag int
}

// inRoom is enough for the acknowledgements of a full window and more.
const inRoom = 4096

func newClient(c *conn, ping time.Duration, take func(arrival)) *client {
	return &client{conn: c, in: bufio.NewReaderSize(c, inRoom), ping: ping, take: take, turn: make(chan struct{}, 1),
		due: make(map[uint16]waiter), nudge: make(chan struct{}, 1), terms: plain()}
}

// newClient5 makes a client that speaks MQTT 5.
func newClient5(c *conn, ping time.Duration, take func(arrival)) *client {
	client := newClient(c, ping, take)
	client.five, client.conn.guard.five = true, true
	return client
}

// hello sends CONNECT and waits for CONNACK. The error for a return code is one of package packets, and for a reason code of
// MQTT 5 it is declined.
func (c *client) hello(g greeting) error {
	out, err := g.encode(c.five)
	if err != nil {
		return err
	}
	if _, err := c.conn.Write(out); err != nil {
		return err
	}
	kind, _, body, err := c.packet()
	switch {
	case err != nil:
		return err
	case kind != connack:
		return fmt.Errorf("the broker answered CONNECT with a packet of type %d: is it an MQTT broker?", kind)
	case c.five:
		return c.agree(body)
	case body[1] == packets.Accepted:
		return nil
	}
	if err, known := packets.ConnErrors[body[1]]; known {
		return err
	}
	return fmt.Errorf("the broker refuses the connection with code %d, which MQTT 3.1.1 does not have", body[1])
}

// agree takes the terms of a CONNACK of MQTT 5.
func (c *client) agree(body []byte) (err error) {
	if c.terms, err = welcome(body); err != nil {
		return err
	}
	c.slots = make(chan struct{}, c.terms.window)
	c.aliases = make(map[string]uint16)
	if c.terms.alive > 0 { // clause 3.2.2.3.14: we must use it
		c.ping = min(c.ping, max(time.Second/2, time.Duration(c.terms.alive)*time.Second/2))
	}
	return nil
}

// packet reads one packet. The guard under it has checked type and length.
func (c *client) packet() (kind, flags byte, body []byte, err error) {
	first, err := c.in.ReadByte()
	if err != nil {
		return 0, 0, nil, err
	}
	length := 0
	for shift := 0; ; shift += 7 {
		b, err := c.in.ReadByte()
		if err != nil {
			return 0, 0, nil, err
		}
		length |= int(b&0x7f) << shift
		if b&0x80 == 0 {
			break
		}
		if shift == 21 {
			return 0, 0, nil, errLength
		}
	}
	body = c.small[:min(length, len(c.small))]
	if length > len(c.small) || first>>4 == publish {
		body = make([]byte, length) // a message is handed on
	}
	_, err = io.ReadFull(c.in, body)
	return first >> 4, first & 0x0f, body, err
}

// read takes what the broker sends, until the connection ends.
func (c *client) read() error {
	for {
		kind, flags, body, err := c.packet()
		if err != nil {
			return err
		}
		switch kind {
		case publish:
			err = c.message(flags, body)
		case puback:
			c.release()
			c.settle(binary.BigEndian.Uint16(body), ackOf(packets5.PUBACK, body[2:]))
		case suback:
			c.settle(binary.BigEndian.Uint16(body), grantOf(body))
		case unsuback:
			c.settle(binary.BigEndian.Uint16(body), ack{})
		case disconnect:
			err = dismissed{ackOf(packets5.DISCONNECT, body)}
		case pingresp:
			c.mu.Lock()
			c.pinged = false
			c.mu.Unlock()
		default:
			err = fmt.Errorf("the broker sent a packet of type %d in the middle of the conversation", kind)
		}
		if err != nil {
			return err
		}
	}
}

// message takes a PUBLISH (clause 3.3) and has it acknowledged.
func (c *client) message(flags byte, body []byte) error {
	a, id, err := arrivalOf(flags, body, c.five)
	if err != nil {
		return err
	}
	c.take(a)
	if flags&0x02 == 0 {
		return nil
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.acks) > 1<<16 {
		return errors.New("the broker sends messages and does not take our acknowledgements")
	}
	c.acks = append(c.acks, puback<<4, 2, byte(id>>8), byte(id)) // in MQTT 5 too: no reason code is a success
	select {
	case c.nudge <- struct{}{}:
	default:
	}
	return nil
}

// settle tells whoever waits for a packet's acknowledgement.
func (c *client) settle(id uint16, a ack) {
	c.mu.Lock()
	w := c.due[id]
	delete(c.due, id)
	c.mu.Unlock()
	if t, ok := w.(tagged); ok {
		t.acknowledged(t.tag, a)
	}
}

// errSilent is what tend finds when a ping was not answered in time.
var errSilent = errors.New("the broker does not answer pings")

// tend sends acknowledgements, and a ping in each interval, until the connection ends. A ping that was not answered when
// the next one is due is the end.
func (c *client) tend(lost <-chan struct{}) error {
	ticker := time.NewTicker(c.ping)
	defer ticker.Stop()
	for {
		var out []byte
		select {
		case <-lost:
			return nil
		case <-c.nudge:
			c.mu.Lock()
			out, c.acks = c.acks, nil
			c.mu.Unlock()
		case <-ticker.C:
			c.mu.Lock()
			silent := c.pinged
			c.pinged = true
			c.mu.Unlock()
			if silent {
				return errSilent
			}
			out = []byte{pingreq << 4, 0}
		}
		if err := c.write(context.Background(), out); err != nil {
			return err
		}
	}
}

// write sends whole packets. It waits its turn, and for the network no longer than the connection's limit, or until ctx
// ends: then the connection is dropped if a part of a packet has gone out.
func (c *client) write(ctx context.Context, packets []byte) error {
	select {
	case c.turn <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { <-c.turn }()
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return c.conn.writeUntil(ctx, packets)
}

// claim gives the next free packet identifier to a waiter (clause 2.3.1: never 0).
func (c *client) claim(w waiter) (uint16, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for range 1 << 16 {
		if c.last++; c.last == 0 {
			continue
		}
		if _, taken := c.due[c.last]; !taken {
			c.due[c.last] = w
			return c.last, nil
		}
	}
	return 0, errors.New("the broker owes 65,535 acknowledgements")
}

// occupy takes one of the places for messages that are not acknowledged, and says whether there was one. It does not wait.
func (c *client) occupy() bool {
	if c.slots == nil {
		return true
	}
	select {
	case c.slots <- struct{}{}:
		return true
	default:
		return false
	}
}

// release gives a place free. A PUBACK out of the blue gives none.
func (c *client) release() {
	select {
	case <-c.slots: // never of a nil channel
	default:
	}
}

// publish sends one message at QoS 1 whose acknowledgement nobody waits for. It waits for a place, as long as a write may take.
func (c *client) publish(ctx context.Context, m message) error {
	if c.slots != nil {
		ctx, cancel := context.WithTimeout(ctx, c.conn.writeLimit)
		defer cancel()
		select {
		case c.slots <- struct{}{}:
		case <-ctx.Done():
			return errors.New("the broker owes us too many acknowledgements")
		}
	}
	id, err := c.claim(nil)
	if err != nil {
		return err
	}
	return c.write(ctx, c.appendPublish(nil, m, id))
}

// publishNow is publish where there is a place at once. Else it says that nothing was sent.
func (c *client) publishNow(ctx context.Context, m message) (sent bool, err error) {
	if !c.occupy() {
		return false, nil
	}
	id, err := c.claim(nil)
	if err == nil {
		err = c.write(ctx, c.appendPublish(nil, m, id))
	}
	return true, err
}

// publishOnce sends one message at QoS 0.
func (c *client) publishOnce(ctx context.Context, m message) error {
	return c.write(ctx, c.appendPublish(nil, m, 0))
}

// appendPublish writes a PUBLISH in the version that is spoken, with the topic's name.
func (c *client) appendPublish(b []byte, m message, id uint16) []byte {
	if c.five {
		return appendPublish5(b, m, id, 0, false)
	}
	return appendPublish(b, m, id)
}

// appendNumbered is appendPublish with a number for the topic where the broker has numbers left. What it writes must go out
// before anything that is written later.
func (c *client) appendNumbered(b []byte, m message, id uint16) []byte {
	alias, known := c.aliases[m.topic]
	if !c.five || m.last || !known && len(c.aliases) >= c.terms.aliases {
		return c.appendPublish(b, m, id)
	}
	if !known {
		alias = uint16(len(c.aliases) + 1)
		c.aliases[m.topic] = alias
	}
	return appendPublish5(b, m, id, alias, known)
}

func (c *client) appendSubscribe(b []byte, topic string, id uint16, options byte) []byte {
	if c.five {
		return appendSubscribe5(b, topic, id, options)
	}
	return appendSubscribe(b, topic, id)
}

func (c *client) appendUnsubscribe(b []byte, topic string, id uint16) []byte {
	if c.five {
		return appendUnsubscribe5(b, topic, id)
	}
	return appendUnsubscribe(b, topic, id)
}

const (
	subscribe   = 8
	unsubscribe = 10
	pingreq     = 12
	disconnect  = 14
)

// appendPublish writes a PUBLISH (clause 3.3): at QoS 1 with the identifier, at QoS 0 where it is 0.
func appendPublish(b []byte, m message, id uint16) []byte {
	first, length := byte(publish<<4), 2+len(m.topic)+len(m.payload)
	if m.retain {
		first |= 0x01
	}
	if id != 0 {
		first |= 0x02
		length += 2
	}
	b = appendLength(append(b, first), length)
	b = appendText(b, m.topic)
	if id != 0 {
		b = binary.BigEndian.AppendUint16(b, id)
	}
	return append(b, m.payload...)
}

// appendSubscribe writes a SUBSCRIBE to one topic at QoS 1 (clause 3.8).
func appendSubscribe(b []byte, topic string, id uint16) []byte {
	b = appendLength(append(b, subscribe<<4|0x02), 5+len(topic))
	return append(appendText(binary.BigEndian.AppendUint16(b, id), topic), 1)
}

// appendUnsubscribe writes an UNSUBSCRIBE from one topic (clause 3.10).
func appendUnsubscribe(b []byte, topic string, id uint16) []byte {
	b = appendLength(append(b, unsubscribe<<4|0x02), 4+len(topic))
	return appendText(binary.BigEndian.AppendUint16(b, id), topic)
}

// appendLength writes a remaining length (clause 2.2.3).
func appendLength(b []byte, n int) []byte {
	for n > 0x7f {
		b = append(b, byte(n)|0x80)
		n >>= 7
	}
	return append(b, byte(n))
}

func appendText(b []byte, s string) []byte {
	return append(binary.BigEndian.AppendUint16(b, uint16(len(s))), s...)
}
