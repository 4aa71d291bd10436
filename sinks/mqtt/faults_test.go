package mqtt

import (
	"bufio"
	"encoding/binary"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/parsers/strict"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
	"weighpost/sinks/sinktest/toxic"
)

// tap is a subscriber that only reads, to the last byte that a killed broker had sent. It asks for QoS 0, since a subscriber with
// acknowledgements of its own on their way loses at a kill what lies unread. Packets are those of MQTT 3.1.1, section 3.
type tap struct {
	got  []sinktest.Arrival
	done chan struct{} // closed at the end of the connection; got is whole then
}

// join connects and subscribes.
func (p *tap) join(t *testing.T, addr string) {
	t.Helper()
	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	_, err = io.WriteString(c, "\x10\x0f\x00\x04MQTT\x04\x02\x00\x00\x00\x03tap"+"\x82\x10\x00\x01\x00\x0bweighpost/#\x00")
	if err != nil {
		t.Fatal(err)
	}
	r, ready := bufio.NewReader(c), make(chan struct{})
	p.done = make(chan struct{})
	go func() {
		defer close(p.done)
		defer c.Close()
		for {
			kind, body, err := packet(r)
			switch {
			case err != nil:
				return
			case kind == 9: // SUBACK
				close(ready)
			case kind == 3: // PUBLISH; at QoS 0 the message follows the topic
				n := 2 + int(binary.BigEndian.Uint16(body))
				if topic := string(body[2:n]); strings.HasSuffix(topic, "/weighing") {
					p.got = append(p.got, sinktest.Arrival{Name: topic, Body: body[n:]})
				}
			}
		}
	}()
	select {
	case <-ready:
	case <-time.After(20 * time.Second):
		t.Error("the broker lets nobody subscribe")
	}
}

func packet(r *bufio.Reader) (kind byte, body []byte, err error) {
	head, err := r.ReadByte()
	if err != nil {
		return 0, nil, err
	}
	length, err := binary.ReadUvarint(r) // which is how MQTT writes lengths, section 2.2.3
	if err != nil {
		return 0, nil, err
	}
	body = make([]byte, length)
	_, err = io.ReadFull(r, body)
	return head >> 4, body, err
}

// TestBrokerKilledInMidWrite kills the broker while weighings go to it. What it acknowledged it had passed on, and it keeps nothing: the
// subscriber is back before the sink.
func TestBrokerKilledInMidWrite(t *testing.T) { each(t, testBrokerKilledInMidWrite) }

func testBrokerKilledInMidWrite(t *testing.T, config func(string) Config) {
	rounds, random := needs.Rounds(t, 2, 50)
	broker := mosquitto.Start(t, mosquitto.Options{})
	between := startProxy(t, broker.Addr())
	var far tap
	far.join(t, broker.Addr())
	entries := sinktest.Weighings(rounds*1000, 3)
	amid := sinktest.Amid(t, openSink(t, config(between.url())), entries, rounds, random, func(int) {
		broker.Kill(t)
		between.down()
		<-far.done
		broker.Start(t)
		far.join(t, broker.Addr())
		between.up()
	})
	broker.Kill(t)
	<-far.done
	sinktest.Judge(entries, far.got).Hold(t, "the broker killed", rounds, amid, len(entries))
}

// TestThroughABadNetwork delays, resets, cuts and closes what goes between sink and broker.
func TestThroughABadNetwork(t *testing.T) { each(t, testThroughABadNetwork) }

func testThroughABadNetwork(t *testing.T, config func(string) Config) {
	rounds, random := needs.Rounds(t, 8, 100)
	far := startSide(t)
	between := toxic.Start(t, far.broker.Addr())
	c := config("mqtt://" + between.Addr())
	c.KeepAlive = strict.Duration(shortKeepAlive)
	entries := sinktest.Weighings(rounds*200, 3)
	amid := sinktest.Amid(t, openSink(t, c), entries, rounds, random, func(round int) {
		mend := between.Fault(t, round, random)
		time.Sleep(time.Duration(20+random.IntN(150)) * time.Millisecond)
		mend()
	})
	sinktest.Judge(entries, far.far.arrivals()).Hold(t, "a bad network", rounds, amid, len(entries))
}
