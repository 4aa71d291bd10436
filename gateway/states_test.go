//go:build linux

package gateway_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"sync"
	"testing"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/sinks/mqtt/mosquitto"
)

// wall is a screen somewhere that shows what the broker keeps of balances and destinations.
type wall struct {
	t        *testing.T
	mu       sync.Mutex
	kept     map[string][]byte // by topic below the site
	balances *jsonschema.Schema
	sinks    *jsonschema.Schema
}

func newWall(t *testing.T, broker *mosquitto.Broker) *wall {
	w := &wall{t: t, kept: map[string][]byte{}, balances: compiled(t, "balance-status"), sinks: compiled(t, "sink-status")}
	client := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + broker.Addr()).SetClientID("wall").
		SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { w.take(m) }))
	wait(client.Connect())
	wait(client.SubscribeMultiple(map[string]byte{"weighpost/seed-bank/+/status": 1, "weighpost/seed-bank/@/sink/+/status": 1}, nil))
	t.Cleanup(func() { client.Disconnect(100) })
	return w
}

func compiled(t *testing.T, name string) *jsonschema.Schema {
	t.Helper()
	text, err := os.ReadFile("../configs/schemas/" + name + ".schema.json")
	if err != nil {
		t.Fatal(err)
	}
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource(name, v); err != nil {
		t.Fatal(err)
	}
	schema, err := c.Compile(name)
	if err != nil {
		t.Fatal(err)
	}
	return schema
}

func (w *wall) take(m paho.Message) {
	w.mu.Lock()
	defer w.mu.Unlock()
	topic := strings.TrimPrefix(m.Topic(), "weighpost/seed-bank/")
	if len(m.Payload()) == 0 {
		delete(w.kept, topic)
		return
	}
	w.kept[topic] = m.Payload()
	schema := w.balances
	if strings.HasPrefix(topic, "@/") {
		schema = w.sinks
	}
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(m.Payload()))
	if err == nil {
		err = schema.Validate(v)
	}
	if err != nil {
		w.t.Errorf("%s: %v in %s", topic, err, m.Payload())
	}
}

// shows waits until what is kept under a topic is as wanted.
func shows[T any](w *wall, topic, what string, wanted func(T) bool) {
	w.t.Helper()
	until(w.t, func() bool {
		w.mu.Lock()
		defer w.mu.Unlock()
		var is T
		return json.Unmarshal(w.kept[topic], &is) == nil && wanted(is)
	}, topic+" does not show "+what)
}

// TestABrokerShowsHowBalancesAndDestinationsAre: through the whole daemon, with what goes wrong, what is paused and what is taken out.
func TestABrokerShowsHowBalancesAndDestinationsAre(t *testing.T) {
	t.Parallel() // it mostly waits
	broker := mosquitto.Start(t, mosquitto.Options{})
	w := newWall(t, broker)
	h := newHouse(t, "port-1", "port-2")
	const balance = "- {id: b-%d, port: {address: DIR/port-%[1]d}, layout: as.yaml}\n"
	one := "site: seed-bank\njournal: {folder: journal}\npage: {listen: \"127.0.0.1:0\"}\nbalances:\n" + fmt.Sprintf(balance, 1)
	sinks := fmt.Sprintf("sinks:\n- {id: broker, kind: mqtt, broker: %q}\n", broker.URL())
	if err := os.Mkdir(h.dir+"/out", 0o755); err != nil {
		t.Fatal(err)
	}
	h.start(t, one+fmt.Sprintf(balance, 2)+sinks+"- {id: folder, kind: files, folder: DIR/out, format: ndjson}\n")

	shows(w, "b-1/status", "that it is connected", func(b record.BalanceStatus) bool {
		return b.Connected && b.Balance == "b-1" && b.LastHeard == nil && b.Service == "unknown" && b.Clock == h.Clock().State && len(b.Conditions) == 0
	})
	if _, err := h.cords["port-1"].Write(line(12345)); err != nil {
		t.Fatal(err)
	}
	shows(w, "b-1/status", "that it was heard", func(b record.BalanceStatus) bool { return b.LastHeard != nil })
	if err := h.TakeOutOfService(t.Context(), "b-1", "dropped", record.Actor{By: record.ActorHost}); err != nil {
		t.Fatal(err)
	}
	shows(w, "b-1/status", "that it is out of service", func(b record.BalanceStatus) bool {
		return b.Service == record.OutOfService && b.NextCheck == nil && len(b.Conditions) == 1 && b.Conditions[0].Code == health.OutOfService
	})
	if err := h.PutIntoService(t.Context(), "b-1", "looked over", record.Actor{By: record.ActorHost}); err != nil {
		t.Fatal(err)
	}
	shows(w, "b-1/status", "that it is not any more", func(b record.BalanceStatus) bool { return b.Service != record.OutOfService && len(b.Conditions) == 0 })
	if err := h.cords["port-1"].Pull(); err != nil {
		t.Fatal(err)
	}
	shows(w, "b-1/status", "that its cable is out", func(b record.BalanceStatus) bool {
		return !b.Connected && len(b.Conditions) == 1 && strings.HasPrefix(b.Conditions[0].Code, "port-") && b.Conditions[0].Sentence != ""
	})
	shows(w, "@/sink/folder/status", "that it works", func(s record.SinkStatus) bool {
		return s.State == "working" && s.Kind == "files" && s.LastSuccess != nil && s.Paused == nil && len(s.Conditions) == 0
	})
	if _, err := h.Pause(t.Context(), record.Actor{By: record.ActorHost}, "folder", "the share is moved"); err != nil {
		t.Fatal(err)
	}
	shows(w, "@/sink/folder/status", "that it is paused", func(s record.SinkStatus) bool {
		return s.State == "paused" && s.Paused != nil && s.Paused.Why == "the share is moved" && s.Remedy != "" &&
			len(s.Conditions) == 1 && s.Conditions[0].Code == health.SinkPaused
	})
	shows(w, "b-2/status", "that it is there", func(b record.BalanceStatus) bool { return b.Connected })
	if err := h.reload(t, one+sinks); err != nil {
		t.Fatal(err)
	}
	until(t, func() bool {
		w.mu.Lock()
		defer w.mu.Unlock()
		return len(w.kept) == 2 && w.kept["b-1/status"] != nil && w.kept["@/sink/broker/status"] != nil
	}, "what was taken out is still shown")
	h.stop(t)
}
