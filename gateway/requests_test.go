//go:build linux

package gateway_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/sinks/mqtt/mosquitto"
)

// lims is a lab system on the broker: it asks, and keeps the answers.
type lims struct {
	t      *testing.T
	client paho.Client

	mu      sync.Mutex
	answers map[string]limsAnswer // by mark
}

type limsAnswer struct {
	Request  string
	Accepted bool
	Why      string
	Context  *record.ContextView
	Read     *record.ReadAnswer
}

func newLIMS(t *testing.T, broker *mosquitto.Broker) *lims {
	l := &lims{t: t, answers: map[string]limsAnswer{}}
	o := paho.NewClientOptions().AddBroker("tcp://" + broker.Addr()).SetClientID("lims").SetOrderMatters(true)
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
		var a limsAnswer
		if err := json.Unmarshal(m.Payload(), &a); err != nil {
			t.Errorf("%s: %v", m.Payload(), err)
		}
		l.mu.Lock()
		defer l.mu.Unlock()
		l.answers[a.Request] = a
	})
	l.client = paho.NewClient(o)
	subscribe := func() paho.Token { return l.client.Subscribe("weighpost/seed-bank/+/context/answer", 1, nil) }
	for _, step := range []func() paho.Token{l.client.Connect, subscribe} {
		if token := step(); !token.WaitTimeout(20*time.Second) || token.Error() != nil {
			t.Fatal(token.Error())
		}
	}
	t.Cleanup(func() { l.client.Disconnect(100) })
	return l
}

func (l *lims) asks(balance, how, payload string) {
	l.client.Publish("weighpost/seed-bank/"+balance+"/context/"+how, 1, false, payload)
}

func (l *lims) answer(mark string) (a limsAnswer) {
	l.t.Helper()
	until(l.t, func() (there bool) {
		l.mu.Lock()
		defer l.mu.Unlock()
		a, there = l.answers[mark]
		return there
	}, "no answer to "+mark)
	return a
}

func requestSinks(broker *mosquitto.Broker) string {
	return fmt.Sprintf("- {id: broker, kind: mqtt, broker: %q, requests: true}\n", broker.URL())
}

// listens waits until requests are taken.
func (l *lims) listens(balance string) {
	for i := 0; ; i++ {
		mark := fmt.Sprintf("hello %d", i)
		l.asks(balance, "change", `{"lot":null,"request":"`+mark+`"}`)
		for end := time.Now().Add(500 * time.Millisecond); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
			l.mu.Lock()
			_, there := l.answers[mark]
			l.mu.Unlock()
			if there {
				return
			}
		}
		if i == 40 {
			l.t.Fatal("requests are not taken")
		}
	}
}

// TestWhatALabSystemAsksForGoesWithTheWeighing: over a real broker, into the journal and onto the next weighing.
func TestWhatALabSystemAsksForGoesWithTheWeighing(t *testing.T) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	d := newDaemon(t, daemonOptions{sinks: requestSinks(broker)})
	d.start(t)
	l := newLIMS(t, broker)
	l.listens("b-1")
	l.asks("b-1", "set", `{"sample":{"id":"LOT-1003"},"person":{"id":"p-07"},"request":"1"}`)
	if a := l.answer("1"); !a.Accepted || a.Context == nil || len(a.Context.Items) != 2 {
		t.Errorf("%+v", a)
	}
	time.Sleep(200 * time.Millisecond) // the balance prints some time after the answer
	mustWrite(t, d, 0, line(12345))
	until(t, func() bool { return d.Balances()[0].Recorded == 1 }, "the weighing is not recorded")
	l.asks("b-1", "set", `{"sign_out":true,"request":"2"}`)
	if a := l.answer("2"); !a.Accepted || len(a.Context.Items) != 0 {
		t.Errorf("%+v", a)
	}
	sent := time.Now().UTC()
	l.asks("b-1", "set", fmt.Sprintf(`{"sample":{"id":"LOT-9"},"sent":"%s","valid_s":30,"request":"3"}`, sent.Add(-time.Minute).Format(time.RFC3339)))
	if a := l.answer("3"); a.Accepted || !strings.Contains(a.Why, "too late") {
		t.Errorf("%+v", a)
	}
	l.asks("b-9", "set", `{"sample":{"id":"LOT-9"},"request":"4"}`)
	if a := l.answer("4"); a.Accepted || !strings.Contains(a.Why, "no balance") {
		t.Errorf("%+v", a)
	}
	mustWrite(t, d, 0, line(54321))
	until(t, func() bool { return d.Balances()[0].Recorded == 2 }, "the weighing is not recorded")
	d.stop(t)
	w := weighings(t, d)
	if c := w[0].Context; c.Sample == nil || c.Sample.ID != "LOT-1003" || c.Sample.By != record.BySent || c.Person == nil || c.Person.ID != "p-07" {
		t.Errorf("the first weighing carries %+v", c)
	}
	if c := w[1].Context; c.Sample != nil || c.Person != nil {
		t.Errorf("after signing out a weighing carries %+v", c)
	}
}

// TestAThousandRequestsAreAThousandEntries: in one burst, for ten balances, each once and under the topic by which it came.
func TestAThousandRequestsAreAThousandEntries(t *testing.T) {
	t.Parallel()
	const n, balances = 1000, 10
	broker := mosquitto.Start(t, mosquitto.Options{})
	d := newDaemon(t, daemonOptions{sinks: requestSinks(broker), balances: balances})
	d.start(t)
	l := newLIMS(t, broker)
	l.listens("b-1")
	for i := range n {
		l.asks(fmt.Sprintf("b-%d", 1+i%balances), "set", fmt.Sprintf(`{"sample":{"id":"LOT-%d"},"request":"r%d"}`, i, i))
	}
	for i := range n {
		if a := l.answer(fmt.Sprintf("r%d", i)); !a.Accepted {
			t.Fatalf("%+v", a)
		}
	}
	d.stop(t)
	next := [balances]int{}
	for _, e := range entries(t, d) {
		var c record.ContextChange
		if e.Kind != record.KindContextChanged {
			continue
		}
		if err := json.Unmarshal(e.JSON, &c); err != nil {
			t.Fatal(err)
		}
		if c.After.Sample == nil || c.Cause != "set" {
			continue
		}
		b := 0
		if _, err := fmt.Sscanf(c.Balance.ID, "b-%d", &b); err != nil {
			t.Fatal(err)
		}
		want := fmt.Sprintf("LOT-%d", next[b-1]*balances+b-1)
		if c.After.Sample.ID != want || c.Where != "weighpost/seed-bank/"+c.Balance.ID+"/context/set" {
			t.Fatalf("%s: %s by %s, want %s", c.Balance.ID, c.After.Sample.ID, c.Where, want)
		}
		next[b-1]++
	}
	for b, got := range next {
		if got != n/balances {
			t.Errorf("balance %d: %d entries", b+1, got)
		}
	}
}

// TestNothingIsSetWhileNothingIsRecorded: a change that could not be journalled is refused, and one that is asked for again
// once the disk has space is taken.
func TestNothingIsSetWhileNothingIsRecorded(t *testing.T) {
	dir := needs.SmallDisk(t, "size=1m")
	broker := mosquitto.Start(t, mosquitto.Options{})
	d := newDaemon(t, daemonOptions{sinks: requestSinks(broker), journal: dir + "/journal"})
	d.start(t)
	l := newLIMS(t, broker)
	l.listens("b-1")
	for n := 0; !d.holds("recording-stopped"); n++ {
		if n == 5000 {
			t.Fatal("the disk never fills")
		}
		mustWrite(t, d, 0, line(1000+n))
		time.Sleep(time.Millisecond)
	}
	const asked = `{"sample":{"id":"LOT-1"},"request":"full"}`
	l.asks("b-1", "set", asked)
	if a := l.answer("full"); a.Accepted || !strings.Contains(a.Why, "Nothing can be recorded now") {
		t.Errorf("%+v", a)
	}
	if v, err := d.ContextOf("b-1"); err != nil || len(v.Items) != 0 {
		t.Errorf("%+v, %v", v, err)
	}
	remount(t, dir, "size=64m")
	until(t, func() bool { return !d.holds("recording-stopped") }, "recording does not resume by itself")
	l.mu.Lock()
	delete(l.answers, "full")
	l.mu.Unlock()
	l.asks("b-1", "set", asked)
	if a := l.answer("full"); !a.Accepted {
		t.Errorf("%+v", a)
	}
	d.stop(t)
}
