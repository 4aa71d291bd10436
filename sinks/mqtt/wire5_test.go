package mqtt

import (
	"bytes"
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	packets5 "github.com/eclipse/paho.golang/packets"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// read5 has another library read one packet of MQTT 5.
func read5(t *testing.T, b []byte) *packets5.ControlPacket {
	t.Helper()
	r := bytes.NewReader(b)
	p, err := packets5.ReadPacket(r)
	if err != nil || r.Len() != 0 {
		t.Fatalf("%x: %v, %d bytes are left", b[:min(len(b), 40)], err, r.Len())
	}
	return p
}

// TestPackets5ReadTheSameElsewhere has another library read what we write (paho.golang, package packets).
func TestPackets5ReadTheSameElsewhere(t *testing.T) {
	t.Parallel() // most of it is waiting
	list := []sinks.Attribute{{Name: "weighpost-id", Value: "north/7qx3/b-01/000001"}, {Name: "type", Value: "wéighing"}, {Name: "type", Value: "twice"}}
	for _, n := range []int{0, 1, 100, 127, 128, 16_383, 16_384, 1 << 20} {
		for _, id := range []uint16{0, 1, 65_535} {
			for _, alias := range []uint16{0, 7} {
				for _, known := range []bool{false, alias != 0} {
					m := message{topic: "weighpost/site/b-01/wéighing", payload: bytes.Repeat([]byte{'x'}, n), retain: n%2 == 1,
						properties: appendProperties(nil, "application/json", true, 3600, list)}
					b := appendPublish5(nil, m, id, alias, known)
					if len(b) > m.size() {
						t.Errorf("%d bytes were written, and at most %d were said", len(b), m.size())
					}
					got := read5(t, b).Content.(*packets5.Publish)
					p := got.Properties
					wantTopic := m.topic
					if known {
						wantTopic = ""
					}
					if got.Topic != wantTopic || !bytes.Equal(got.Payload, m.payload) || got.Retain != m.retain || got.Duplicate || got.PacketID != id || (got.QoS == 1) != (id != 0) {
						t.Fatalf("%d bytes, id %d: %v", n, id, got)
					}
					if p.ContentType != "application/json" || *p.PayloadFormat != 1 || *p.MessageExpiry != 3600 || (p.TopicAlias != nil) != (alias != 0) || alias != 0 && *p.TopicAlias != alias {
						t.Fatalf("properties %v", p)
					}
					if len(p.User) != 3 || p.User[2] != (packets5.User{Key: "type", Value: "twice"}) || p.User[1].Value != "wéighing" {
						t.Fatalf("user properties %v", p.User)
					}
				}
			}
		}
	}
	s := read5(t, appendSubscribe5(nil, "a/+/b", 7, hearNew)).Content.(*packets5.Subscribe)
	if o := s.Subscriptions[0]; s.PacketID != 7 || len(s.Subscriptions) != 1 || o.Topic != "a/+/b" || o.QoS != 1 || o.RetainHandling != 2 || o.NoLocal {
		t.Errorf("%+v", s)
	}
	u := read5(t, appendUnsubscribe5(nil, "a/b", 8)).Content.(*packets5.Unsubscribe)
	if u.PacketID != 8 || len(u.Topics) != 1 || u.Topics[0] != "a/b" {
		t.Errorf("%+v", u)
	}
	b, err := greeting{client: "c", user: "u", password: []byte("p"), keepAlive: 15, will: &message{topic: "t", payload: []byte("w")}}.encode(true)
	if err != nil {
		t.Fatal(err)
	}
	c := read5(t, b).Content.(*packets5.Connect)
	if c.ProtocolVersion != 5 || !c.CleanStart || c.ClientID != "c" || c.Username != "u" || string(c.Password) != "p" || c.KeepAlive != 15 ||
		c.WillTopic != "t" || string(c.WillMessage) != "w" || !c.WillRetain || c.WillQOS != 1 || c.Properties.SessionExpiryInterval != nil || c.Properties.TopicAliasMaximum != nil {
		t.Errorf("%v", c)
	}
}

// TestWelcome reads what brokers grant.
func TestWelcome(t *testing.T) {
	number := func(n uint16) *uint16 { return &n }
	zero, size := byte(0), uint32(2000)
	for _, x := range []struct {
		name  string
		p     packets5.Properties
		code  byte
		want  terms
		words string
	}{
		{name: "nothing said", want: plain()},
		{name: "all limits", p: packets5.Properties{ReceiveMaximum: number(3), MaximumPacketSize: &size, TopicAliasMaximum: number(10), ServerKeepAlive: number(5)},
			want: terms{window: 3, packet: 2000, aliases: 10, alive: 5}},
		{name: "more aliases than we use", p: packets5.Properties{TopicAliasMaximum: number(65_535)}, want: terms{window: 65_535, packet: maxPacket, aliases: maxAliases}},
		{name: "no QoS 1", p: packets5.Properties{MaximumQOS: &zero}, words: "no messages at QoS 1"},
		{name: "no retained messages", p: packets5.Properties{RetainAvailable: &zero}, words: "no retained messages"},
		{name: "receive maximum 0", p: packets5.Properties{ReceiveMaximum: number(0)}, words: "receive maximum of 0"},
		{name: "turned away", code: 0x87, p: packets5.Properties{ReasonString: "not on the list"}, words: `not authorised (0x87), "not on the list"`},
	} {
		var b bytes.Buffer
		if _, err := (&packets5.Connack{ReasonCode: x.code, Properties: &x.p}).WriteTo(&b); err != nil {
			t.Fatal(err)
		}
		got, err := welcome(b.Bytes()[2:])
		if x.words == "" && (err != nil || got != x.want) || x.words != "" && (err == nil || !strings.Contains(err.Error(), x.words)) {
			t.Errorf("%s: %+v, %v", x.name, got, err)
		}
	}
	if _, err := welcome([]byte{0, 1}); err == nil || !strings.Contains(err.Error(), "does not speak MQTT 5") { // MQTT 3.1.1 clause 3.2.2.3
		t.Errorf("a CONNACK of an older broker: %v", err)
	}
}

// TestEscapedIsOneToOne: what MQTT must not carry is written in another way, and nothing becomes the same.
func TestEscapedIsOneToOne(t *testing.T) {
	for text, want := range map[string]string{"north/7qx3/b-12/000184": "north/7qx3/b-12/000184", "50%": "50%25", "a\x00b": "a%00b", "\x85": "%85", "\u0085": "%C2%85",
		"\ufffd": "%EF%BF%BD", "\uffff": "%EF%BF%BF", "wéight": "wéight"} {
		if got := escaped(text); got != want {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
	seen, random := make(map[string]string), rand.New(rand.NewPCG(1, 2))
	for range 20_000 {
		b := make([]byte, 1+random.IntN(3))
		for i := range b {
			b[i] = byte(random.Uint32())
		}
		got := escaped(string(b))
		if before, taken := seen[got]; taken && before != string(b) || !utf8.ValidString(got) || strings.ContainsFunc(got, unfit) {
			t.Fatalf("%q and %q: %q", before, b, got)
		}
		seen[got] = string(b)
	}
}

// hostile5 are first bytes after the CONNACK that a broker must not send. The clause is of MQTT 5.0.
var hostile5 = []struct {
	name, words string
	bytes       []byte
}{
	{"SUBACK without a code (3.9)", "length", []byte{0x90, 3, 0, 1, 0}},
	{"PUBACK without an identifier (3.4.2)", "length", []byte{0x40, 1, 0}},
	{"remaining length of five bytes (1.5.5)", "length", []byte{0x30, 0xff, 0xff, 0xff, 0xff, 1}},
	{"control packet of 1 MB", "length", []byte{0x40, 0x80, 0x80, 0x40}},
	{"PUBLISH at QoS 2 though QoS 1 was asked for", "QoS", []byte{0x34, 6, 0, 1, 'a', 0, 1, 0}},
	{"PUBLISH with an alias that was not allowed (3.3.2.3.4)", "alias", []byte{0x30, 7, 0, 1, 'a', 3, 35, 0, 1}},
	{"PUBLISH without a topic (3.3.2.1)", "alias", []byte{0x30, 3, 0, 0, 0}},
	{"PUBLISH with properties that do not end", "cannot be read", []byte{0x30, 5, 0, 1, 'a', 200, 3}},
	{"PUBLISH with a property of another packet", "cannot be read", []byte{0x30, 6, 0, 1, 'a', 2, 37, 1}},
	{"AUTH, which was not asked for", "type 15", []byte{0xf0, 0}},
	{"text", "flags", []byte("HTTP/1.1 400 Bad Request\r\n\r\n")},
}

func TestGuard5Refuses(t *testing.T) {
	for _, x := range hostile5 {
		err := readAll5(x.bytes, func(arrival) { t.Errorf("%s: handed on", x.name) })
		if err == nil || !strings.Contains(err.Error(), x.words) {
			t.Errorf("%s: got %v", x.name, err)
		}
	}
}

func readAll5(stream []byte, take func(arrival)) error {
	return newClient5(newConn(stub{bytes.NewReader(stream)}, nil, time.Second), time.Second, take).read()
}

// FuzzClient5 is FuzzClient for MQTT 5, with another library as the judge.
func FuzzClient5(f *testing.F) {
	for _, x := range hostile5 {
		f.Add(x.bytes)
	}
	f.Add([]byte{0x32, 15, 0, 1, 'a', 0, 9, 8, 8, 0, 1, 'r', 9, 0, 1, 'c', 'x'})
	f.Add([]byte{0x40, 2, 0, 1, 0x40, 4, 0, 1, 0x87, 0, 0xe0, 1, 0x8b})
	f.Fuzz(func(t *testing.T, stream []byte) {
		var got []arrival
		if err := readAll5(stream, func(a arrival) { got = append(got, a) }); err == nil {
			t.Fatal("reading ended without an error")
		}
		for r := io.Reader(bytes.NewReader(stream)); len(got) > 0; {
			p, err := packets5.ReadPacket(r)
			if err != nil {
				t.Fatalf("%d messages were handed on of which another library says: %v", len(got), err)
			}
			if m, ok := p.Content.(*packets5.Publish); ok {
				a := got[0]
				if m.Topic != a.topic || !bytes.Equal(m.Payload, a.payload) || m.Retain != a.retained || m.Properties.ResponseTopic != a.answerTo || !bytes.Equal(m.Properties.CorrelationData, a.correlation) {
					t.Fatalf("%+v was handed on as %+v", m, a)
				}
				got = got[1:]
			}
		}
	})
}

// TestPropertiesOfAnEntry: what it is, whether it is late, and what the format adds.
func TestPropertiesOfAnEntry(t *testing.T) {
	e := record.Entry{ID: "north/7qx3/b-01/000001", Kind: record.KindWeighing, Seq: 42}
	names := func(list []sinks.Attribute) (all []string) {
		for _, a := range list {
			all = append(all, a.Name+"="+a.Value)
		}
		return all
	}
	want := []string{"weighpost-id=north/7qx3/b-01/000001", "weighpost-kind=weighing", "weighpost-seq=42"}
	if got := names(attributes(e, nil)); !slices.Equal(got, want) {
		t.Errorf("got %q", got)
	}
	e.Late = true
	want = append(want, "weighpost-late=true", "id=x")
	if got := names(attributes(e, []sinks.Attribute{{Name: "id", Value: "x"}})); !slices.Equal(got, want) {
		t.Errorf("got %q", got)
	}
	for _, bad := range []string{"a\x00", "\xff", "tab\t", strings.Repeat("x", 70_000)} {
		if checkAttributes([]sinks.Attribute{{Name: "id", Value: bad}}) == nil {
			t.Errorf("%.20q passes", bad)
		}
	}
}
