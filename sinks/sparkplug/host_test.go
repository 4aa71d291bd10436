package sparkplug

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"weighpost/gateway/needs"
	"weighpost/sinks"
	"weighpost/sinks/mqtt/mosquitto"
)

// host is a host application: it hears all of one namespace, and asks for births.
type host struct {
	client mqtt.Client
	mu     sync.Mutex
	raw    []raw
}

type raw struct {
	Topic    string `json:"topic"`
	Hex      string `json:"hex"`
	QoS      byte   `json:"qos"`
	Retained bool   `json:"retained"`
}

// heard is one message as the independent reader reads it.
type heard struct {
	raw
	Kind, Device string
	Payload      struct {
		Timestamp int64
		Seq       *int
		Metrics   []struct {
			Name         string
			Type         string
			Value        any
			Timestamp    int64
			IsHistorical bool
			IsNull       bool
			Properties   map[string]struct {
				Type  string
				Value any
			}
		}
	}
}

// value is a metric's, and whether there is one.
func (h heard) value(name string) (any, bool) {
	for _, m := range h.Payload.Metrics {
		if m.Name == name {
			return m.Value, true
		}
	}
	return nil, false
}

func listen(t *testing.T, broker *mosquitto.Broker) *host {
	t.Helper()
	h := &host{}
	h.join(t, broker)
	t.Cleanup(func() { h.client.Disconnect(50) })
	return h
}

// join connects and listens, for the first time or after the broker was away.
func (h *host) join(t *testing.T, broker *mosquitto.Broker) {
	t.Helper()
	h.joinAs(t, broker, "host-"+t.Name())
}

func (h *host) joinAs(t *testing.T, broker *mosquitto.Broker, id string) {
	t.Helper()
	o := mqtt.NewClientOptions().AddBroker("tcp://" + broker.Addr()).SetClientID(id).SetAutoReconnect(false)
	h.client = mqtt.NewClient(o)
	done(t, h.client.Connect())
	done(t, h.client.Subscribe("spBv1.0/#", 1, func(_ mqtt.Client, m mqtt.Message) {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.raw = append(h.raw, raw{m.Topic(), hex.EncodeToString(m.Payload()), m.Qos(), m.Retained()})
	}))
}

func done(t *testing.T, token mqtt.Token) {
	t.Helper()
	if !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatalf("the host's own client: %v", token.Error())
	}
}

// send publishes a command.
func (h *host) send(t *testing.T, topic string, p payload) {
	t.Helper()
	done(t, h.client.Publish(topic, 0, false, p.encode()))
}

// count counts messages of a kind.
func (h *host) count(kind string) int {
	h.mu.Lock()
	defer h.mu.Unlock()
	n := 0
	for _, m := range h.raw {
		if strings.Split(m.Topic, "/")[2] == kind {
			n++
		}
	}
	return n
}

// until waits until so many messages of a kind were heard.
func (h *host) until(t *testing.T, kind string, n int) {
	t.Helper()
	for limit := time.Now().Add(20 * time.Second); h.count(kind) < n; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("%d of %d messages %s came", h.count(kind), n, kind)
		}
	}
}

// read has all messages read by the npm package sparkplug-payload, which we did not write.
func (h *host) read(t *testing.T) []heard {
	t.Helper()
	var in, out bytes.Buffer
	h.mu.Lock()
	for _, m := range h.raw {
		b, err := json.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		in.Write(append(b, '\n'))
	}
	h.mu.Unlock()
	cmd := exec.Command("node", "decode.js")
	cmd.Dir, cmd.Stdin, cmd.Stdout = "../../testdata/sparkplug", &in, &out
	if text, err := cmd.StderrPipe(); err != nil {
		t.Fatal(err)
	} else if err := cmd.Start(); err != nil {
		t.Fatal(err)
	} else {
		var why bytes.Buffer
		_, _ = why.ReadFrom(text)
		if err := cmd.Wait(); err != nil {
			t.Fatalf("%v: %s", err, why.String())
		}
	}
	var list []heard
	for line := range strings.Lines(out.String()) {
		var m heard
		if err := json.Unmarshal([]byte(line), &m); err != nil {
			t.Fatalf("%v: %s", err, line)
		}
		parts := strings.Split(m.Topic, "/")
		m.Kind = parts[2]
		if len(parts) > 4 {
			m.Device = parts[4]
		}
		list = append(list, m)
	}
	return list
}

// reader skips the test where the independent reader is not installed.
func reader(t *testing.T) {
	t.Helper()
	needs.Programs(t, "node")
	needs.That(t, exec.Command("node", "-e", "require('../../testdata/sparkplug/node_modules/sparkplug-payload')").Run() == nil,
		"the npm package sparkplug-payload: run npm ci --ignore-scripts in testdata/sparkplug")
}

func config(broker *mosquitto.Broker) Config {
	c := *Default()
	c.Broker, c.Group, c.Node = broker.URL(), "seeds", "north"
	return c
}

func open(t *testing.T, c Config) *Sink {
	t.Helper()
	s, err := New(c, "floor", sinks.Env{Site: "north-seed-bank"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

// holds checks what the standard asks of a node's messages of one session after the other: numbers without a gap, births first,
// QoS 0 and not retained, a death with the bdSeq of its birth and without a number. It gives the bdSeq of each session.
func holds(t *testing.T, list []heard) (sessions []int) {
	t.Helper()
	next, bdSeq := -1, -1
	born := map[string]bool{}
	for at, m := range list {
		where := fmt.Sprintf("message %d, %s", at, m.Topic)
		if m.Kind == ncmd {
			continue
		}
		if m.Retained || m.Payload.Timestamp == 0 {
			t.Errorf("%s: retained %v, timestamp %d", where, m.Retained, m.Payload.Timestamp)
		}
		if m.Kind == ndeath {
			if value, _ := m.value("bdSeq"); m.Payload.Seq != nil || value != float64(bdSeq) || len(m.Payload.Metrics) != 1 {
				t.Errorf("%s: seq %v, bdSeq %v after a birth with %d", where, m.Payload.Seq, value, bdSeq)
			}
			next = -1
			continue
		}
		if m.QoS != 0 || m.Payload.Seq == nil {
			t.Fatalf("%s: QoS %d, seq %v", where, m.QoS, m.Payload.Seq)
		}
		if m.Kind == nbirth {
			value, _ := m.value("bdSeq")
			if again, there := m.value(rebirth); !there || again != false {
				t.Errorf("%s: %s is %v", where, rebirth, again)
			}
			if got := int(value.(float64)); got != bdSeq {
				bdSeq = got
				sessions = append(sessions, bdSeq)
			}
			next = 0
			clear(born)
		}
		if *m.Payload.Seq != next {
			t.Errorf("%s: seq %d, want %d", where, *m.Payload.Seq, next)
		}
		next = (*m.Payload.Seq + 1) % 256
		switch m.Kind {
		case dbirth:
			born[m.Device] = true
			var all []string
			for _, one := range m.Payload.Metrics {
				all = append(all, one.Name)
			}
			for _, one := range without() {
				if !slices.Contains(all, one.name) {
					t.Errorf("%s does not hold %s", where, one.name)
				}
			}
		case ddata, ddeath:
			if !born[m.Device] {
				t.Errorf("%s: the device was not born", where)
			}
			born[m.Device] = m.Kind == ddata
		}
	}
	return sessions
}
