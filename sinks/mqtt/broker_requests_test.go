package mqtt

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/sinks"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
)

// openDesk opens a sink that takes requests, and waits until it does.
func openDesk(t *testing.T, c Config, h *holder) *Sink {
	t.Helper()
	c.Requests = true
	s, err := New(c, "bench", sinks.Env{Site: testSite, Contexts: h, Reader: h, Log: slog.New(slog.NewTextHandler(testWriter{t}, nil))})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	if _, err := s.Deliver(within(t, 60*time.Second), nil); err != nil {
		t.Fatal(err)
	}
	return s
}

func balanceTopic(n int, end string) string {
	return fmt.Sprintf("weighpost/%s/b-%02d/%s", testSite, n, end)
}

// asks publishes a request as another system does, and returns once the broker has it.
func (c *collector) asks(topic, payload string, retain bool) {
	c.t.Helper()
	token := c.client.Publish(topic, 1, retain, payload)
	if !token.WaitTimeout(20*time.Second) || token.Error() != nil {
		c.t.Fatalf("%s: %v", topic, token.Error())
	}
}

// answers waits for that many answers.
func (c *collector) answers(n int) []answer {
	c.t.Helper()
	return c.answersOn("/context/answer", n)
}

func (c *collector) answersOn(topic string, n int) []answer {
	c.t.Helper()
	var list []answer
	eventually(c.t, 60*time.Second, fmt.Sprintf("%d answers", n), func() bool {
		list = list[:0]
		for _, m := range c.messages(topic) {
			var a answer
			if err := json.Unmarshal(m.Payload(), &a); err != nil || m.Retained() || m.Qos() != 1 {
				c.t.Fatalf("%s: %v, retained %v, QoS %d", m.Payload(), err, m.Retained(), m.Qos())
			}
			list = append(list, a)
		}
		return len(list) >= n
	})
	if len(list) != n {
		c.t.Fatalf("%d answers, want %d: %+v", len(list), n, list)
	}
	return list
}

func TestRequestsOverARealBroker(t *testing.T) {
	t.Parallel() // most of it is waiting
	broker := mosquitto.Start(t, mosquitto.Options{})
	lab := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
	h := newHolder()
	s := openDesk(t, config(broker.URL()), h)
	lab.asks(balanceTopic(1, "context/set"), `{"sample":{"id":"LOT-1003"},"request":"a"}`, false)
	lab.answers(1)
	lab.asks(balanceTopic(1, "context/change"), `{"lot":{"id":"L-7"},"request":"b"}`, false)
	lab.answers(2)
	lab.asks(balanceTopic(1, "context/set"), `{"sign_out":true,"request":"c"}`, false)
	lab.answers(3)
	lab.asks(balanceTopic(1, "context/set"), `{"sample":{"id":"LOT-1003"},"request":"a"}`, false)
	lab.asks(balanceTopic(99, "context/set"), `{"request":"e"}`, false)
	lab.asks(balanceTopic(1, "context/set"), "\xff{", false)
	list := lab.answers(6)
	for i, want := range []answer{{Request: "a", Accepted: true}, {Request: "b", Accepted: true}, {Request: "c", Accepted: true}} {
		if a := list[i]; a.Request != want.Request || !a.Accepted || a.Context.Balance != "b-01" {
			t.Errorf("answer %d: %+v", i, a)
		}
	}
	byMark := map[string]answer{}
	for _, a := range list[3:] {
		byMark[a.Request] = a
	}
	if a := byMark["a"]; !a.Accepted || !a.Again {
		t.Errorf("what came again: %+v", a)
	}
	if a := byMark["e"]; a.Accepted || !strings.Contains(a.Why, "no balance") {
		t.Errorf("an unknown balance: %+v", a)
	}
	if a := byMark[""]; a.Accepted || !strings.Contains(a.Why, "cannot be read") {
		t.Errorf("no JSON: %+v", a)
	}
	r := h.requests()
	if len(r) != 3 || !r[0].Whole || r[1].Whole || !r[2].SignOut || r[1].Where != balanceTopic(1, "context/change") {
		t.Errorf("%+v", r)
	}
	if st := lab.statuses(); st[len(st)-1].Requests != requestsOpen {
		t.Errorf("%+v", st)
	}
	// Weighings go out beside it.
	deliverAll(within(t, 60*time.Second), t, s, sinktest.Weighings(20, 1))
}

// TestARetainedRequestDoesNotComeBack: the broker keeps it and sends it at each connection. It is carried out when it is
// published, and never again.
func TestARetainedRequestDoesNotComeBack(t *testing.T) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	lab := collect(t, "tcp://"+broker.Addr(), "weighpost/+/+/context/answer")
	h := newHolder()
	lab.asks(balanceTopic(1, "context/set"), `{"sample":{"id":"LOT-1"},"request":"old"}`, true)
	s := openDesk(t, config(broker.URL()), h)
	if a := lab.answers(1)[0]; a.Accepted || a.Request != "old" || !strings.Contains(a.Why, "kept") {
		t.Errorf("%+v", a)
	}
	lab.asks(balanceTopic(2, "context/set"), `{"sample":{"id":"LOT-2"},"request":"new"}`, true)
	if a := lab.answers(2)[1]; !a.Accepted {
		t.Errorf("published while we listen: %+v", a)
	}
	s.Close()
	openDesk(t, config(broker.URL()), h)
	for _, a := range lab.answers(4)[2:] {
		if a.Accepted {
			t.Errorf("after a new connection: %+v", a)
		}
	}
	if n := len(h.requests()); n != 1 {
		t.Errorf("%d were carried out", n)
	}
}

// TestRequestsThroughARestartOfTheBroker: the subscription is made again, a mark is still known, and an answer that could
// not be heard is had by asking again.
func TestRequestsThroughARestartOfTheBroker(t *testing.T) {
	t.Parallel() // most of it is waiting
	broker := mosquitto.Start(t, mosquitto.Options{})
	lab := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
	h := newHolder()
	openDesk(t, config(broker.URL()), h)
	lab.asks(balanceTopic(1, "context/set"), `{"sample":{"id":"LOT-1"},"request":"a"}`, false)
	lab.answers(1)
	h.mu.Lock()
	h.gate = make(chan struct{})
	h.mu.Unlock()
	lab.asks(balanceTopic(1, "context/set"), `{"sample":{"id":"LOT-2"},"request":"b"}`, false)
	eventually(t, 60*time.Second, "the request is being carried out", func() bool {
		h.mu.Lock()
		defer h.mu.Unlock()
		return h.busy["b-01"] == 1
	})
	broker.Stop(t)
	broker.Start(t)
	eventually(t, 30*time.Second, "requests are taken again", func() bool {
		st := lab.statuses()
		return len(st) > 2 && st[len(st)-1].Requests == requestsOpen
	})
	close(h.gate)
	if a := lab.answers(2)[1]; !a.Accepted || a.Request != "b" || a.Again {
		t.Errorf("asked before, answered after: %+v", a)
	}
	for _, mark := range []string{"a", "b"} {
		lab.asks(balanceTopic(1, "context/set"), fmt.Sprintf(`{"sample":{"id":"LOT-%d"},"request":"%s"}`, 1+strings.Index("ab", mark), mark), false)
	}
	for _, a := range lab.answers(4)[2:] {
		if !a.Accepted || !a.Again {
			t.Errorf("asked again after the restart: %+v", a)
		}
	}
	if got := h.by["b-01"]; !slices.Equal(got, []string{"LOT-1", "LOT-2"}) {
		t.Errorf("carried out: %v", got)
	}
}

// TestTheAccessListDecidesWhoMayAsk: the broker takes a forbidden request and drops it; it never reaches us.
func TestTheAccessListDecidesWhoMayAsk(t *testing.T) {
	t.Parallel() // most of it is waiting
	const acl = "user bank\ntopic readwrite weighpost/#\n\nuser collector\ntopic read weighpost/#\ntopic readwrite marker/#\n\n" +
		"user lims\ntopic write weighpost/+/+/context/set\ntopic read weighpost/+/+/context/answer\ntopic readwrite marker/#\n"
	users := map[string]string{"bank": "poppy seed", "collector": "far side", "lims": "far side"}
	broker := mosquitto.Start(t, mosquitto.Options{Users: users, ACL: acl})
	stranger := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
	h := newHolder()
	c := config(broker.URL())
	c.Username, c.Password = "bank", secret(t, "poppy seed")
	s := openDesk(t, c, h)
	stranger.asks(balanceTopic(1, "context/set"), `{"sample":{"id":"LOT-1"},"request":"stranger"}`, false)
	lims := collectAs(t, "tcp://"+broker.Addr(), "weighpost/#", "lims")
	lims.asks(balanceTopic(1, "context/set"), `{"sample":{"id":"LOT-2"},"request":"lims"}`, false)
	if a := lims.answers(1)[0]; !a.Accepted || a.Request != "lims" {
		t.Errorf("%+v", a)
	}
	if got := h.by["b-01"]; !slices.Equal(got, []string{"LOT-2"}) {
		t.Errorf("carried out: %v", got)
	}
	deliverAll(within(t, 60*time.Second), t, s, sinktest.Weighings(10, 1))
}

// TestWeighingsGoOutWhereRequestsAreForbidden: our own user may neither hear requests nor publish answers.
func TestWeighingsGoOutWhereRequestsAreForbidden(t *testing.T) {
	const acl = "user bank\ntopic deny weighpost/+/+/context/#\ntopic readwrite weighpost/#\n\nuser collector\ntopic readwrite weighpost/#\ntopic readwrite marker/#\n"
	broker := mosquitto.Start(t, mosquitto.Options{Users: map[string]string{"bank": "poppy seed", "collector": "far side"}, ACL: acl})
	lab := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
	h := newHolder()
	c := config(broker.URL())
	c.Username, c.Password = "bank", secret(t, "poppy seed")
	s := openDesk(t, c, h)
	lab.asks(balanceTopic(1, "context/set"), `{"sample":{"id":"LOT-1"}}`, false)
	entries := sinktest.Weighings(50, 1)
	deliverAll(within(t, 60*time.Second), t, s, entries)
	if lost, _, disorder := lab.verdict(entries); lost != 0 || disorder != 0 || len(h.requests()) != 0 {
		t.Errorf("%d lost, %d out of order, %d requests heard", lost, disorder, len(h.requests()))
	}
	st := lab.statuses()
	t.Logf("this broker says %q to a subscription that its list forbids", st[len(st)-1].Requests)
}

// TestAThousandRequestsInABurst come while weighings go out: each is carried out once and answered, in the order of its
// balance, and no weighing waits for them.
func TestAThousandRequestsInABurst(t *testing.T) {
	t.Parallel() // most of it is waiting
	const n = 1000
	broker := mosquitto.Start(t, mosquitto.Options{})
	lab := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
	h := newHolder()
	h.slow = time.Millisecond // a commit
	s := openDesk(t, config(broker.URL()), h)
	entries := sinktest.Weighings(500, 1)
	delivered := make(chan struct{})
	go func() {
		defer close(delivered)
		deliverAll(within(t, 60*time.Second), t, s, entries)
	}()
	for i := range n {
		lab.client.Publish(balanceTopic(i%10, "context/set"), 1, false, fmt.Sprintf(`{"sample":{"id":"LOT-%d"},"request":"%d"}`, i, i))
	}
	marks := map[string]bool{}
	for _, a := range lab.answers(n) {
		if !a.Accepted || a.Again || marks[a.Request] {
			t.Fatalf("%+v", a)
		}
		marks[a.Request] = true
	}
	<-delivered
	if lost, _, disorder := lab.verdict(entries); lost != 0 || disorder != 0 {
		t.Errorf("weighings: %d lost, %d out of order", lost, disorder)
	}
	for b := range 10 {
		for i, lot := range h.by[fmt.Sprintf("b-%02d", b)] {
			if lot != fmt.Sprintf("LOT-%d", 10*i+b) {
				t.Fatalf("balance %d: number %d is %s", b, i, lot)
			}
		}
	}
}

// TestHostileRequestsOverARealBroker: whatever is published there, weighings go out and only what can be read is carried out.
func TestHostileRequestsOverARealBroker(t *testing.T) {
	t.Parallel() // most of it is waiting
	broker := mosquitto.Start(t, mosquitto.Options{})
	lab := collect(t, "tcp://"+broker.Addr(), "weighpost/+/+/context/answer")
	h := newHolder()
	s := openDesk(t, config(broker.URL()), h)
	before := s.current.Load()
	hostile := []string{"", "null", "[]", "{", `{"sample":{"id":"\u0000"}}`, `{"sample":{"id":"\u202etab"}}`, strings.Repeat("[", 100_000),
		strings.Repeat("x", 900_000), `{"request":"` + strings.Repeat("é", 65) + `"}`, `{"sample":{"id":"a","uses":1e99}}`, "\xff\xfe\x00"}
	for _, payload := range hostile {
		lab.asks(balanceTopic(3, "context/set"), payload, false)
	}
	for _, a := range lab.answers(len(hostile)) {
		if a.Accepted || a.Why == "" {
			t.Errorf("%+v", a)
		}
	}
	for _, name := range []string{"%2e%2e", "ä", strings.Repeat("x", 300), "$SYS", " "} {
		lab.asks("weighpost/"+testSite+"/"+name+"/context/set", `{"request":"x"}`, false)
	}
	lab.answers(len(hostile) + 5)
	deliverAll(within(t, 60*time.Second), t, s, sinktest.Weighings(10, 1))
	if n := len(h.requests()); n != 0 || s.current.Load() != before {
		t.Errorf("%d were carried out; the connection is the same: %v", n, s.current.Load() == before)
	}
}

// TestABrokerThatDeclinesTheSubscription: the proxy turns what the broker grants into a refusal. Weighings go out, and the
// status says that requests do not come in.
func TestABrokerThatDeclinesTheSubscription(t *testing.T) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	lab := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
	between := startProxy(t, broker.Addr())
	declined := 0
	between.set(func(_ *link, up bool, p *[]byte) verdict {
		if b := *p; !up && len(b) >= 5 && b[0] == suback<<4 && b[1] == 3 {
			b[4] = subscriptionFailed
			declined++
		}
		return pass
	})
	c := config(between.url())
	c.SelfTest = false
	s := openDesk(t, c, newHolder())
	deliverAll(within(t, 60*time.Second), t, s, sinktest.Weighings(10, 1))
	if st := lab.statuses(); declined != 3 || st[len(st)-1].Requests != requestsDeclined || st[len(st)-1].Reads != requestsDeclined {
		t.Errorf("%d declined, status %+v", declined, st[len(st)-1])
	}
}
