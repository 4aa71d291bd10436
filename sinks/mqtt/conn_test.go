package mqtt

import (
	"bytes"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"weighpost/parsers/strict"
	"weighpost/sinks/sinktest"
)

func TestGuardPassesWhatABrokerSends(t *testing.T) {
	var stream bytes.Buffer
	for _, p := range []packets.ControlPacket{
		packets.NewControlPacket(packets.Connack), packets.NewControlPacket(packets.Puback),
		packets.NewControlPacket(packets.Unsuback), packets.NewControlPacket(packets.Pingresp),
		&packets.SubackPacket{FixedHeader: packets.FixedHeader{MessageType: packets.Suback}, ReturnCodes: []byte{1}},
		&packets.PublishPacket{FixedHeader: packets.FixedHeader{MessageType: packets.Publish, Qos: 1, Retain: true},
			TopicName: "weighpost/x/status", Payload: make([]byte, 300_000)},
	} {
		for range 2 {
			if err := p.Write(&stream); err != nil {
				t.Fatal(err)
			}
		}
	}
	for _, size := range []int{1, 2, 7, 4096, stream.Len()} {
		var g guard
		for rest := stream.Bytes(); len(rest) > 0; {
			n := min(size, len(rest))
			if err := g.inspect(rest[:n]); err != nil {
				t.Fatalf("in pieces of %d: %v", size, err)
			}
			rest = rest[n:]
		}
		if g.kind != 0 || g.body != 0 {
			t.Errorf("in pieces of %d: not at the end of a packet", size)
		}
	}
}

// hostile are first bytes after the CONNACK that a broker must not send. The clause is of MQTT 3.1.1.
var hostile = []struct {
	name, words string
	bytes       []byte
}{
	{"SUBACK for more topics than were asked for (3.9.3)", "length", []byte{0x90, 4, 0, 1, 1, 1}},
	{"SUBACK without a code", "length", []byte{0x90, 2, 0, 1}},
	{"PUBACK of the wrong length (3.4.1)", "length", []byte{0x40, 3, 0, 1, 0}},
	{"remaining length of five bytes (2.2.3)", "length", []byte{0x30, 0xff, 0xff, 0xff, 0xff, 1}},
	{"PUBLISH of 256 MB", "length", []byte{0x30, 0xff, 0xff, 0xff, 0x7f}},
	{"PUBLISH at QoS 2 though QoS 1 was asked for", "QoS", []byte{0x34, 5, 0, 1, 'a', 0, 1}},
	{"CONNECT, which only clients send", "type 1", []byte{0x10, 2, 0, 0}},
	{"type 15, which is reserved (2.2.1)", "type 15", []byte{0xf0, 0}},
	{"PUBREL out of the blue", "type 6", []byte{0x62, 2, 0, 1}},
	{"text", "length", []byte("HTTP/1.1 400 Bad Request\r\n\r\n")},
}

func TestGuardRefuses(t *testing.T) {
	for _, x := range hostile {
		var g guard
		err := g.inspect(x.bytes)
		if err == nil || !strings.Contains(err.Error(), x.words) {
			t.Errorf("%s: got %v", x.name, err)
		}
	}
}

// TestHostileBroker speaks to the whole sink: it must come out with an error, neither crash nor hang.
func TestHostileBroker(t *testing.T) {
	for _, x := range hostile {
		t.Run(x.name, func(t *testing.T) {
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			var serving sync.WaitGroup
			serving.Go(func() {
				for {
					c, err := l.Accept()
					if err != nil {
						return
					}
					serving.Go(func() { answerBadly(c, x.bytes) })
				}
			})
			defer serving.Wait()
			defer l.Close()
			c := config("mqtt://" + l.Addr().String())
			c.KeepAlive = strict.Duration(2 * time.Second)
			s := openSink(t, c)
			n, err := s.Deliver(within(t, 60*time.Second), sinktest.Weighings(3, 1))
			if n != 0 || err == nil || !strings.Contains(err.Error(), x.words) {
				t.Errorf("accepted %d and said %v; want 0 and something of %q", n, err, x.words)
			}
			s.Close()
		})
	}
}

// answerBadly takes a CONNECT, accepts it, waits for the next packet and sends something bad.
func answerBadly(c net.Conn, bad []byte) {
	defer c.Close()
	_ = c.SetDeadline(time.Now().Add(5 * time.Second))
	if _, err := packets.ReadPacket(c); err != nil {
		return
	}
	if err := packets.NewControlPacket(packets.Connack).Write(c); err != nil {
		return
	}
	if _, err := packets.ReadPacket(c); err != nil {
		return
	}
	if _, err := c.Write(bad); err != nil {
		return
	}
	_, _ = io.Copy(io.Discard, c)
}

// FuzzClient: whatever a broker sends after the handshake, it ends in an error or is waited for, and every message that is
// handed on is one that another library reads the same.
func FuzzClient(f *testing.F) {
	for _, x := range hostile {
		f.Add(x.bytes)
	}
	f.Add([]byte{0x20, 2, 0, 0, 0x90, 3, 0, 1, 1, 0x40, 2, 0, 1, 0xd0, 0})
	f.Fuzz(func(t *testing.T, stream []byte) {
		var got []arrival
		c := newClient(newConn(stub{bytes.NewReader(stream)}, nil, time.Second), time.Second, func(a arrival) { got = append(got, a) })
		if err := c.read(); err == nil {
			t.Fatal("reading ended without an error")
		}
		for r := bytes.NewReader(stream); len(got) > 0; {
			p, err := packets.ReadPacket(r)
			if err != nil {
				t.Fatalf("%d messages were handed on of which another library says: %v", len(got), err)
			}
			if m, ok := p.(*packets.PublishPacket); ok {
				if a := got[0]; m.TopicName != a.topic || !bytes.Equal(m.Payload, a.payload) || m.Retain != a.retained || m.Dup != a.duplicate {
					t.Fatalf("%+v was handed on as %+v", m, a)
				}
				got = got[1:]
			}
		}
	})
}

// stub is a connection of which only the incoming bytes are real.
type stub struct{ io.Reader }

func (stub) Write(p []byte) (int, error)      { return len(p), nil }
func (stub) Close() error                     { return nil }
func (stub) LocalAddr() net.Addr              { return nil }
func (stub) RemoteAddr() net.Addr             { return nil }
func (stub) SetDeadline(time.Time) error      { return nil }
func (stub) SetReadDeadline(time.Time) error  { return nil }
func (stub) SetWriteDeadline(time.Time) error { return nil }

// TestPacketsReadTheSameElsewhere has another library read what we write.
func TestPacketsReadTheSameElsewhere(t *testing.T) {
	for _, n := range []int{0, 1, 100, 127, 128, 16_383, 16_384, 1 << 20} {
		for _, id := range []uint16{0, 1, 65_535} {
			m := message{topic: "weighpost/site/b-01/wéighing", payload: bytes.Repeat([]byte{'x'}, n), retain: n%2 == 1}
			p, err := packets.ReadPacket(bytes.NewReader(appendPublish(nil, m, id)))
			got, ok := p.(*packets.PublishPacket)
			if err != nil || !ok || got.TopicName != m.topic || !bytes.Equal(got.Payload, m.payload) || got.Retain != m.retain ||
				got.Dup || got.MessageID != id || (got.Qos == 1) != (id != 0) {
				t.Errorf("%d bytes, id %d: %v, %v", n, id, p, err)
			}
		}
	}
	p, err := packets.ReadPacket(bytes.NewReader(appendSubscribe(nil, "a/+/b", 7)))
	if s, ok := p.(*packets.SubscribePacket); err != nil || !ok || s.MessageID != 7 || len(s.Topics) != 1 || s.Topics[0] != "a/+/b" || s.Qoss[0] != 1 || s.FixedHeader.Qos != 1 {
		t.Errorf("%v, %v", p, err)
	}
	p, err = packets.ReadPacket(bytes.NewReader(appendUnsubscribe(nil, "a/b", 8)))
	if u, ok := p.(*packets.UnsubscribePacket); err != nil || !ok || u.MessageID != 8 || u.Topics[0] != "a/b" || u.FixedHeader.Qos != 1 {
		t.Errorf("%v, %v", p, err)
	}
}

// TestIdentifiersAreNeverInUseTwice gives all that there are, and one again when it was acknowledged.
func TestIdentifiersAreNeverInUseTwice(t *testing.T) {
	c := newClient(nil, time.Second, nil)
	seen := make(map[uint16]bool)
	for range 65_535 {
		id, err := c.claim(nil)
		if err != nil || id == 0 || seen[id] {
			t.Fatalf("identifier %d: %v", id, err)
		}
		seen[id] = true
	}
	if id, err := c.claim(nil); err == nil {
		t.Errorf("identifier %d is in use twice", id)
	}
	c.settle(4711, ack{})
	c.settle(4711, ack{}) // acknowledged twice, or out of the blue
	if id, err := c.claim(nil); err != nil || id != 4711 {
		t.Errorf("identifier %d, %v", id, err)
	}
}
