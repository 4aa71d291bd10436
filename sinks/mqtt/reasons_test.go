package mqtt

import (
	"bytes"
	"errors"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	packets5 "github.com/eclipse/paho.golang/packets"

	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
)

// scripted is a broker of MQTT 5 that says what it is told to. A nil answer is the usual one.
type scripted struct {
	addr    string
	connack *packets5.Connack
	puback  func(m *packets5.Publish) io.WriterTo // nil, or gives nil: success
	serving sync.WaitGroup

	mu   sync.Mutex
	took []*packets5.Publish
}

func script(t *testing.T, b *scripted) *scripted {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	b.addr = l.Addr().String()
	b.serving.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			b.serving.Go(func() { b.serve(c) })
		}
	})
	t.Cleanup(func() {
		l.Close()
		b.serving.Wait()
	})
	return b
}

func (b *scripted) serve(c net.Conn) {
	defer c.Close()
	for {
		_ = c.SetDeadline(time.Now().Add(10 * time.Second))
		p, err := packets5.ReadPacket(c)
		if err != nil {
			return
		}
		var answer io.WriterTo
		switch m := p.Content.(type) {
		case *packets5.Connect:
			if answer = b.connack; b.connack == nil {
				answer = &packets5.Connack{Properties: &packets5.Properties{}}
			}
		case *packets5.Subscribe:
			answer = &packets5.Suback{PacketID: m.PacketID, Reasons: []byte{1}, Properties: &packets5.Properties{}}
		case *packets5.Unsubscribe:
			answer = &packets5.Unsuback{PacketID: m.PacketID, Reasons: []byte{0}, Properties: &packets5.Properties{}}
		case *packets5.Publish:
			answer = b.take(m)
		case *packets5.Pingreq:
			answer = packets5.NewControlPacket(packets5.PINGRESP)
		case *packets5.Disconnect:
			return
		}
		if answer != nil {
			if _, err := answer.WriteTo(c); err != nil {
				return
			}
		}
	}
}

func (b *scripted) take(m *packets5.Publish) io.WriterTo {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.took = append(b.took, m)
	if m.QoS == 0 {
		return nil
	}
	if b.puback != nil {
		if p := b.puback(m); p != nil {
			return p
		}
	}
	return said(m, 0, "")
}

// said is a PUBACK with a reason.
func said(m *packets5.Publish, code byte, why string) *packets5.ControlPacket {
	p := packets5.NewControlPacket(packets5.PUBACK)
	*p.Content.(*packets5.Puback) = packets5.Puback{PacketID: m.PacketID, ReasonCode: code, Properties: &packets5.Properties{ReasonString: why}}
	return p
}

func farewell(code byte) *packets5.ControlPacket {
	p := packets5.NewControlPacket(packets5.DISCONNECT)
	p.Content.(*packets5.Disconnect).ReasonCode = code
	return p
}

// blind is a configuration without the self-test: a scripted broker passes nothing on.
func blind(addr string) Config {
	c := config5("mqtt://" + addr)
	c.SelfTest, c.KeepAlive = false, strict.Duration(2*time.Second)
	return c
}

// class says in a word what an error means for package deliver.
func class(err error) string {
	switch {
	case err == nil:
		return "taken"
	case errors.As(err, new(sinks.Refused)):
		return "refused"
	case errors.As(err, new(sinks.Unusable)):
		return "unusable"
	case errors.As(err, new(sinks.Busy)):
		return "busy"
	}
	return "again"
}

// TestReasonsOfMessages has a broker answer the third message of five with each reason code (MQTT 5.0 clause 3.4.2.1; 0x95 is
// what mosquitto says of one that is too large). The connection stays, and what was taken is not told as failed.
func TestReasonsOfMessages(t *testing.T) {
	for code, want := range map[byte]string{0x00: "taken", 0x10: "taken", 0x80: "again", 0x83: "again", 0x87: "unusable", 0x90: "refused",
		0x91: "again", 0x95: "refused", 0x97: "busy", 0x99: "refused", 0xfe: "again"} {
		entries := sinktest.Weighings(5, 3)
		b := script(t, &scripted{puback: func(m *packets5.Publish) io.WriterTo {
			if bytes.Equal(m.Payload, entries[2].JSON) {
				return said(m, code, "so it is")
			}
			return nil
		}})
		s := openSink(t, blind(b.addr))
		n, err := s.Deliver(within(t, 60*time.Second), entries)
		if got := class(err); got != want || want == "taken" && n != 5 || want != "taken" && n != 2 {
			t.Errorf("0x%02x: accepted %d, %s: %v; want %s", code, n, got, err, want)
		}
		first := s.session
		if want != "taken" && !strings.Contains(err.Error(), "so it is") {
			t.Errorf("0x%02x: %q leaves out what the broker says", code, err)
		}
		if n, err = s.Deliver(within(t, 60*time.Second), entries[3:]); n != 2 || err != nil || s.session != first {
			t.Errorf("0x%02x: afterwards accepted %d: %v; the same connection: %v", code, n, err, s.session == first)
		}
		if err != nil {
			t.Log(err)
		}
		s.Close()
	}
}

// TestReasonsOfGreetings has a broker turn a connection away with each reason code (clause 3.2.2.2).
func TestReasonsOfGreetings(t *testing.T) {
	for code, want := range map[byte]string{0x80: "again", 0x81: "unusable", 0x82: "unusable", 0x83: "again", 0x84: "unusable", 0x85: "unusable", 0x86: "unusable",
		0x87: "unusable", 0x88: "again", 0x89: "busy", 0x8a: "unusable", 0x8c: "unusable", 0x90: "unusable", 0x95: "unusable", 0x97: "busy", 0x99: "unusable",
		0x9a: "unusable", 0x9b: "unusable", 0x9c: "busy", 0x9d: "unusable", 0x9f: "busy"} {
		b := script(t, &scripted{connack: &packets5.Connack{ReasonCode: code, Properties: &packets5.Properties{}}})
		s := openSink(t, blind(b.addr))
		n, err := s.Deliver(within(t, 60*time.Second), sinktest.Weighings(1, 3))
		if got := class(err); n != 0 || got != want {
			t.Errorf("0x%02x: accepted %d, %s: %v; want %s", code, n, got, err, want)
		}
		s.Close()
	}
}

// TestReasonsOfFarewells has a broker end the connection with each reason code at the third of five messages (clause 3.14.2.1).
// What is wrong with a message is told only once that one alone was under way.
func TestReasonsOfFarewells(t *testing.T) {
	for code, want := range map[byte]string{0x80: "again", 0x81: "refused", 0x82: "again", 0x83: "again", 0x87: "unusable", 0x89: "busy", 0x8b: "again",
		0x8d: "again", 0x8e: "again", 0x8f: "unusable", 0x90: "refused", 0x93: "again", 0x94: "again", 0x95: "refused", 0x96: "busy", 0x97: "busy", 0x98: "busy",
		0x99: "refused", 0x9a: "unusable", 0x9b: "unusable", 0x9c: "busy", 0x9d: "unusable", 0x9f: "busy", 0xa0: "again", 0xa1: "unusable", 0xa2: "unusable"} {
		entries := sinktest.Weighings(5, 3)
		b := script(t, &scripted{puback: func(m *packets5.Publish) io.WriterTo {
			if bytes.Equal(m.Payload, entries[2].JSON) {
				return farewell(code)
			}
			return nil
		}})
		s := openSink(t, blind(b.addr))
		n, err := s.Deliver(within(t, 60*time.Second), entries)
		if want == "refused" {
			if class(err) != "again" {
				t.Errorf("0x%02x: refused while five were under way: %v", code, err)
			}
			var more int
			more, err = s.Deliver(within(t, 60*time.Second), entries[n:])
			n += more
		}
		if got := class(err); n != 2 || got != want {
			t.Errorf("0x%02x: accepted %d, %s: %v; want 2 and %s", code, n, got, err, want)
		}
		if n, err = s.Deliver(within(t, 60*time.Second), entries[3:]); n != 2 || err != nil || s.careful {
			t.Errorf("0x%02x: afterwards accepted %d: %v", code, n, err)
		}
		s.Close()
	}
}

// several are packets that are written one after the other.
type several []*packets5.ControlPacket

func (list several) WriteTo(w io.Writer) (n int64, err error) {
	for _, p := range list {
		if _, err = p.WriteTo(w); err != nil {
			return 0, err
		}
	}
	return 0, nil
}

// TestTermsAreKept: at most as many messages in flight as the broker takes, no alias beyond its maximum, and nothing larger than it
// takes; a scripted broker counts.
func TestTermsAreKept(t *testing.T) {
	three, two, size := uint16(3), uint16(2), uint32(4000)
	b := script(t, &scripted{connack: &packets5.Connack{Properties: &packets5.Properties{ReceiveMaximum: &three, TopicAliasMaximum: &two, MaximumPacketSize: &size}}})
	mostWaiting := 0
	var held []*packets5.Publish
	b.puback = func(m *packets5.Publish) io.WriterTo {
		held = append(held, m)
		mostWaiting = max(mostWaiting, len(held))
		if len(held) < 2 && len(b.took) < 41 && !strings.HasSuffix(m.Topic, "/status") {
			return several(nil) // no acknowledgement yet
		}
		var all several
		for _, m := range held {
			all = append(all, said(m, 0, ""))
		}
		held = nil
		return all
	}
	s := openSink(t, blind(b.addr))
	entries := sinktest.Weighings(40, 3)
	ctx := within(t, 60*time.Second)
	if n, err := s.Deliver(ctx, entries); n != len(entries) || err != nil {
		t.Errorf("accepted %d: %v", n, err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	names := make(map[uint16]string)
	for _, m := range b.took {
		a := m.Properties.TopicAlias
		switch {
		case a == nil && m.Topic == "":
			t.Fatal("a message without topic and alias")
		case a == nil:
		case *a == 0 || *a > 2:
			t.Fatalf("alias %d", *a)
		case m.Topic != "":
			names[*a] = m.Topic
		case names[*a] == "":
			t.Fatalf("alias %d came before its topic", *a)
		}
	}
	if mostWaiting < 2 || mostWaiting > 3 || len(names) != 2 || len(b.took) < 30 {
		t.Errorf("%d at most in flight, %d aliases, %d messages", mostWaiting, len(names), len(b.took))
	}
}

// TestTooLargeForThisBroker: an entry larger than the broker said it takes is refused without being sent; real mosquitto.
func TestTooLargeForThisBroker(t *testing.T) {
	for _, x := range []struct{ name, extra, words string }{
		{"said when connecting", "max_packet_size 4000", "takes at most 4000"},
		{"said of the message", "message_size_limit 3000", "packet too large (0x95)"},
	} {
		t.Run(x.name, func(t *testing.T) {
			broker := mosquitto.Start(t, mosquitto.Options{Extra: x.extra})
			far := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
			s := openSink(t, config5(broker.URL()))
			entries := sinktest.Weighings(5, 3)
			big := append([]byte(nil), entries[2].JSON...)
			entries[2].JSON = append(append(big[:len(big)-1], `,"more":"`+strings.Repeat("x", 4000)...), `"}`...)
			n, err := s.Deliver(within(t, 60*time.Second), entries)
			if n != 2 || class(err) != "refused" || !strings.Contains(err.Error(), x.words) {
				t.Fatalf("accepted %d: %v", n, err)
			}
			t.Log(err)
			if n, err = s.Deliver(within(t, 60*time.Second), entries[3:]); n != 2 || err != nil {
				t.Fatalf("afterwards accepted %d: %v", n, err)
			}
			if got := len(far.arrivals()); got < 4 {
				t.Errorf("%d arrived", got)
			}
		})
	}
}
