package mqtt

import (
	"context"
	"fmt"
	"net"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.golang/paho"
)

// collector5 is a subscriber of MQTT 5 by another library (paho.golang, package paho).
type collector5 struct {
	client *paho.Client
	mu     sync.Mutex
	list   []*paho.Publish
}

func hear5(t testing.TB, addr, filter string) *collector5 {
	t.Helper()
	line, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	c := &collector5{}
	c.client = paho.NewClient(paho.ClientConfig{Conn: line, OnPublishReceived: []func(paho.PublishReceived) (bool, error){
		func(m paho.PublishReceived) (bool, error) {
			c.mu.Lock()
			defer c.mu.Unlock()
			c.list = append(c.list, m.Packet)
			return true, nil
		}}})
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	name := fmt.Sprintf("collector5-%d", collectors.Add(1))
	if _, err := c.client.Connect(ctx, &paho.Connect{ClientID: name, KeepAlive: 30, CleanStart: true}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = c.client.Disconnect(&paho.Disconnect{})
		<-c.client.Done()
	})
	if _, err := c.client.Subscribe(ctx, &paho.Subscribe{Subscriptions: []paho.SubscribeOptions{{Topic: filter, QoS: 1}}}); err != nil {
		t.Fatal(err)
	}
	return c
}

func (c *collector5) all() []*paho.Publish {
	c.mu.Lock()
	defer c.mu.Unlock()
	return append([]*paho.Publish(nil), c.list...)
}
