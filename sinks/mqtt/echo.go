package mqtt

import (
	"bytes"
	"sync"
)

// MQTT 3.1.1 has no way for a broker to say that it will not take a message: one that its access list forbids is
// acknowledged and dropped. MQTT 5 has, and leaves it to the broker whether it says so. So the first message that a session publishes to a topic is read back by a subscription of
// our own, which lasts until it came. It is the real message on the real topic: nothing is published for the test alone,
// and a rule that forbids only weighings is found as well.

// echoes are the messages of one session that have to come back.
type echoes struct {
	mu     sync.Mutex
	proven map[string]bool  // topics that need no further test
	due    map[string]*echo // by topic
}

// echo is one message that has to come back.
type echo struct {
	topic   string
	payload []byte
	came    chan struct{}
	once    sync.Once
}

func newEchoes() *echoes {
	return &echoes{proven: make(map[string]bool), due: make(map[string]*echo)}
}

// watch writes a subscription to the topic of m to out if that is due, and returns what will tell that m came back. The
// broker takes the subscription before the message, because both travel on one connection. Only the goroutine that
// publishes calls it.
func (s *session) watch(out []byte, m message) (*echo, []byte, error) {
	if s.echoes == nil || m.last {
		return nil, out, nil
	}
	e := s.echoes.expect(m)
	if e == nil {
		return nil, out, nil
	}
	id, err := s.client.claim(nil)
	return e, s.client.appendSubscribe(out, m.topic, id, hearNew), err
}

// expect notes that m has to come back, or returns nil when its topic has been tried already.
func (es *echoes) expect(m message) *echo {
	es.mu.Lock()
	defer es.mu.Unlock()
	if es.proven[m.topic] || es.due[m.topic] != nil {
		return nil // messages behind one that is still due stand or fall with it
	}
	e := &echo{topic: m.topic, payload: m.payload, came: make(chan struct{})}
	es.due[m.topic] = e
	return e
}

// receive takes what the broker sent. A retained message of earlier days may come first.
func (es *echoes) receive(topic string, payload []byte) {
	es.mu.Lock()
	e := es.due[topic]
	es.mu.Unlock()
	if e != nil && bytes.Equal(e.payload, payload) {
		e.once.Do(func() { close(e.came) })
	}
}

// prove notes that a topic needs no further test.
func (es *echoes) prove(topic string) {
	es.mu.Lock()
	defer es.mu.Unlock()
	es.proven[topic] = true
	delete(es.due, topic)
}

// forget has the next message of a topic come back instead of one that the broker did not take.
func (es *echoes) forget(topic string) {
	es.mu.Lock()
	defer es.mu.Unlock()
	delete(es.due, topic)
}

// arrived says whether the message came back, or does not have to.
func (e *echo) arrived() bool {
	if e == nil {
		return true
	}
	select {
	case <-e.came:
		return true
	default:
		return false
	}
}
