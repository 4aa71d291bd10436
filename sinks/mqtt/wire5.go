package mqtt

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	packets5 "github.com/eclipse/paho.golang/packets"

	"weighpost/sinks"
)

// What MQTT 5 adds on the wire. What is written for each message is written here; the packets of a handshake and the
// properties of what comes in are read and written by package packets of eclipse/paho.golang.
//
// Its client, package paho, is not used: a message at QoS 1 there is either waited for before the next one is sent, or sent by
// a goroutine of its own, which loses the order, or its acknowledgement is not told.

// Properties (clause 2.2.2.2) that we write for each message.
const (
	propFormat      = 1
	propExpiry      = 2
	propContentType = 3
	propCorrelation = 9
	propAlias       = 35
	propUser        = 38
)

// terms are what a broker lets us do on one connection.
type terms struct {
	window  int // messages at QoS 1 that may wait for their acknowledgement: its receive maximum
	packet  int // bytes of the largest packet that it takes
	aliases int // topic aliases that it keeps
	alive   int // keep-alive in seconds that it wants instead of ours; 0: ours
}

// plain are the terms of a broker that sets none, as in MQTT 3.1.1.
func plain() terms { return terms{window: math.MaxUint16, packet: maxPacket} }

// maxAliases is how many topics we name by a number at most: those of a busy site, and few enough to be cheap.
const maxAliases = 256

// termsOf reads a CONNACK (clause 3.2), whose code is a success.
func termsOf(p *packets5.Properties) (terms, error) {
	t := plain()
	if p.ReceiveMaximum != nil {
		if t.window = int(*p.ReceiveMaximum); t.window == 0 {
			return t, errors.New("the broker sets a receive maximum of 0, which MQTT 5 does not allow")
		}
	}
	if p.MaximumPacketSize != nil {
		t.packet = int(min(*p.MaximumPacketSize, maxPacket))
	}
	if p.TopicAliasMaximum != nil {
		t.aliases = min(int(*p.TopicAliasMaximum), maxAliases)
	}
	if p.ServerKeepAlive != nil {
		t.alive = int(*p.ServerKeepAlive)
	}
	if p.MaximumQOS != nil && *p.MaximumQOS == 0 {
		return t, sinks.Unusable{Err: errors.New("the broker takes no messages at QoS 1, so it would never say that it has one")}
	}
	if p.RetainAvailable != nil && *p.RetainAvailable == 0 {
		return t, sinks.Unusable{Err: errors.New("the broker keeps no retained messages, which our status and the checkpoint need")}
	}
	return t, nil
}

// welcome reads the body of a CONNACK.
func welcome(body []byte) (terms, error) {
	if len(body) == 2 && body[1] != 0 { // of MQTT 3.1.1 (clause 3.2 there): a broker that knows nothing newer
		return terms{}, declined{ack{code: 0x84}}
	}
	var p packets5.Connack
	p.Properties = new(packets5.Properties)
	if err := p.Unpack(bytes.NewBuffer(body)); err != nil {
		return terms{}, fmt.Errorf("the broker's CONNACK cannot be read: %w", err)
	}
	if p.ReasonCode != 0 {
		return terms{}, declined{ack{p.ReasonCode, p.Properties.ReasonString}}
	}
	return termsOf(p.Properties)
}

// ackOf reads a reason code and the broker's own words from what is behind a packet identifier (clauses 3.4.2, 3.14.2). What
// is absent is a success.
func ackOf(kind byte, rest []byte) (a ack) {
	if len(rest) > 0 {
		a.code = rest[0]
	}
	if a.code >= failed && len(rest) > 1 {
		if p, _, err := propertiesOf(rest[1:], kind); err == nil {
			a.why = p.ReasonString
		}
	}
	return a
}

// grantOf reads the code of a SUBACK for one topic (clause 3.9): it is the last byte.
func grantOf(body []byte) ack { return ack{code: body[len(body)-1]} }

// propertiesOf reads properties and gives what is behind them. The library takes those that end too early for all there are.
func propertiesOf(b []byte, kind byte) (p packets5.Properties, rest []byte, err error) {
	length := 0
	for at := 0; ; at++ {
		if at >= len(b) || at > 3 {
			return p, nil, errLength
		}
		length |= int(b[at]&0x7f) << (7 * at)
		if b[at]&0x80 == 0 {
			if length > len(b)-at-1 {
				return p, nil, errLength
			}
			break
		}
	}
	all := bytes.NewBuffer(b)
	err = p.Unpack(all, kind)
	return p, all.Bytes(), err
}

// arrivalOf reads a PUBLISH (clause 3.3). id is 0 where nothing is to be acknowledged.
func arrivalOf(flags byte, body []byte, five bool) (a arrival, id uint16, err error) {
	short := errors.New("the broker sent a message that ends too early")
	if len(body) < 2 {
		return a, 0, short
	}
	at := 2 + int(binary.BigEndian.Uint16(body))
	if at > len(body) {
		return a, 0, short
	}
	a = arrival{topic: string(body[2:at]), retained: flags&0x01 != 0, duplicate: flags&0x08 != 0}
	body = body[at:]
	if flags&0x02 != 0 {
		if len(body) < 2 {
			return a, 0, short
		}
		id, body = binary.BigEndian.Uint16(body), body[2:]
	}
	if five {
		p, rest, err := propertiesOf(body, packets5.PUBLISH)
		if err != nil {
			return a, 0, fmt.Errorf("the broker sent a message whose properties cannot be read: %w", err)
		}
		if p.TopicAlias != nil || a.topic == "" {
			return a, 0, errors.New("the broker sent a message with a topic alias, which we did not allow")
		}
		a.answerTo, a.correlation, body = p.ResponseTopic, p.CorrelationData, rest
	}
	a.payload = body
	return a, id, nil
}

// appendPublish5 writes a PUBLISH of MQTT 5. With an alias that the broker knows the topic is left out.
func appendPublish5(b []byte, m message, id, alias uint16, known bool) []byte {
	topic := m.topic
	if known {
		topic = ""
	}
	first, properties := byte(publish<<4), len(m.properties)
	if alias != 0 {
		properties += 3
	}
	if m.retain {
		first |= 0x01
	}
	length := 2 + len(topic) + lengthOf(properties) + properties + len(m.payload)
	if id != 0 {
		first |= 0x02
		length += 2
	}
	b = appendText(appendLength(append(b, first), length), topic)
	if id != 0 {
		b = binary.BigEndian.AppendUint16(b, id)
	}
	b = append(appendLength(b, properties), m.properties...)
	if alias != 0 {
		b = binary.BigEndian.AppendUint16(append(b, propAlias), alias)
	}
	return append(b, m.payload...)
}

// lengthOf is how many bytes appendLength writes.
func lengthOf(n int) (bytes int) {
	for bytes = 1; n > 0x7f; bytes++ {
		n >>= 7
	}
	return bytes
}

// properties writes what goes beside a message: its media type, whether it is text, for how many seconds it is of use (0: for
// ever), and attributes.
func appendProperties(b []byte, mediaType string, text bool, expiry uint32, attributes []sinks.Attribute) []byte {
	if text {
		b = append(b, propFormat, 1)
	}
	if expiry > 0 {
		b = binary.BigEndian.AppendUint32(append(b, propExpiry), expiry)
	}
	if mediaType != "" {
		b = appendText(append(b, propContentType), mediaType)
	}
	for _, a := range attributes {
		b = appendText(appendText(append(b, propUser), a.Name), a.Value)
	}
	return b
}

// Options of a subscription (clause 3.8.3.1) at QoS 1.
const (
	hearAll = 1        // retained messages first
	hearNew = 1 | 2<<4 // no retained messages
)

// appendSubscribe5 writes a SUBSCRIBE to one topic.
func appendSubscribe5(b []byte, topic string, id uint16, options byte) []byte {
	b = appendLength(append(b, subscribe<<4|0x02), 6+len(topic))
	b = append(binary.BigEndian.AppendUint16(b, id), 0)
	return append(appendText(b, topic), options)
}

// appendUnsubscribe5 writes an UNSUBSCRIBE from one topic.
func appendUnsubscribe5(b []byte, topic string, id uint16) []byte {
	b = appendLength(append(b, unsubscribe<<4|0x02), 5+len(topic))
	b = append(binary.BigEndian.AppendUint16(b, id), 0)
	return appendText(b, topic)
}
