package mqtt

import (
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"weighpost/gateway/record"
	"weighpost/sinks/sinktest"
)

// collector is an independent subscriber: a client of its own with a session that outlives its connection, which it
// restores by itself. It stays connected, because a broker may drop what it queues.
type collector struct {
	t      testing.TB
	client paho.Client
	topic  string

	mu      sync.Mutex
	all     []paho.Message
	markers map[string]chan struct{}
	serial  atomic.Int64
}

var collectors atomic.Int64

func collect(t testing.TB, broker, topic string) *collector {
	return collectAs(t, broker, topic, "collector")
}

// collectAs is collect under a user name of its own; all have one password.
func collectAs(t testing.TB, broker, topic, user string) *collector {
	t.Helper()
	c := &collector{t: t, topic: topic, markers: make(map[string]chan struct{})}
	name := fmt.Sprintf("collector-%d", collectors.Add(1))
	o := paho.NewClientOptions().AddBroker(broker).SetClientID(name).SetUsername(user).SetPassword("far side")
	o.SetCleanSession(false).SetProtocolVersion(4).SetOrderMatters(true)
	o.SetAutoReconnect(true).SetMaxReconnectInterval(50 * time.Millisecond).SetConnectTimeout(2 * time.Second)
	o.SetDefaultPublishHandler(c.receive)
	o.SetOnConnectHandler(func(client paho.Client) {
		client.SubscribeMultiple(map[string]byte{topic: 1, "marker/#": 1}, nil)
	})
	c.client = paho.NewClient(o)
	if token := c.client.Connect(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatalf("the collector cannot connect: %v", token.Error())
	}
	t.Cleanup(func() { c.client.Disconnect(100) })
	c.barrier()
	return c
}

func (c *collector) receive(_ paho.Client, m paho.Message) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if nonce, ok := strings.CutPrefix(m.Topic(), "marker/"); ok {
		if done := c.markers[nonce]; done != nil {
			close(done)
			delete(c.markers, nonce)
		}
		return
	}
	c.all = append(c.all, m)
}

// barrier returns once everything that the broker had taken before has been received.
func (c *collector) barrier() {
	end := time.Now().Add(20 * time.Second)
	for {
		nonce := fmt.Sprint(c.serial.Add(1))
		done := make(chan struct{})
		c.mu.Lock()
		c.markers[nonce] = done
		c.mu.Unlock()
		c.client.Publish("marker/"+nonce, 1, false, "")
		select {
		case <-done:
			return
		case <-time.After(250 * time.Millisecond): // the broker was away, or the subscription not yet made: ask again
		}
		if time.Now().After(end) {
			c.t.Error("the collector hears nothing of the broker")
			return
		}
	}
}

// messages gives what arrived so far under topics that end so.
func (c *collector) messages(suffix string) []paho.Message {
	c.barrier()
	c.mu.Lock()
	defer c.mu.Unlock()
	var list []paho.Message
	for _, m := range c.all {
		if strings.HasSuffix(m.Topic(), suffix) {
			list = append(list, m)
		}
	}
	return list
}

// arrivals gives the entries that arrived so far.
func (c *collector) arrivals() []sinktest.Arrival {
	var list []sinktest.Arrival
	for _, m := range c.messages("/weighing") {
		list = append(list, sinktest.Arrival{Name: m.Topic(), Body: m.Payload()})
	}
	return list
}

// verdict compares what arrived with what was sent: how many are missing, came again, or came first before an earlier one.
func (c *collector) verdict(sent []record.Entry) (lost, duplicates, disorder int) {
	seen, last := make(map[string]bool), make(map[string]uint64)
	for _, m := range c.messages("/weighing") {
		e, err := record.ParseEntry(m.Payload())
		if err != nil {
			c.t.Errorf("%s: %v", m.Topic(), err)
			continue
		}
		if seen[e.ID] {
			duplicates++
			continue
		}
		seen[e.ID] = true
		if e.Seq < last[e.Balance] {
			disorder++
		}
		last[e.Balance] = e.Seq
	}
	for _, e := range sent {
		if !seen[e.ID] {
			lost++
		}
	}
	return lost, duplicates, disorder
}
