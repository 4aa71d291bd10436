package sparkplug

import (
	"encoding/hex"
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protowire"

	"weighpost/sinks"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
)

// TestPromises holds the sink to what every sink promises, with the broker frozen for an outage. That the standard has nobody acknowledge
// that a host got something does not show while both are there.
func TestPromises(t *testing.T) {
	sinktest.Run(t, func(t *testing.T) sinktest.Harness {
		broker := mosquitto.Start(t, mosquitto.Options{})
		h := listen(t, broker)
		return sinktest.Harness{
			Open: func() (sinks.Sink, error) {
				return patient(config(broker), "floor", sinks.Env{Site: "north-seed-bank"}, 700*time.Millisecond, mostWait)
			},
			Received: func() []sinktest.Arrival { return h.weighings(t) },
			Break:    func() { broker.Freeze(t) },
			Mend:     func() { broker.Thaw(t) },
			Hang: func(on bool) {
				if on {
					broker.Freeze(t)
				} else {
					broker.Thaw(t)
				}
			},
			Parse: parse,
		}
	})
}

// weighings are the data messages, each with all that a host then knows of the device.
func (h *host) weighings(t *testing.T) (list []sinktest.Arrival) {
	t.Helper()
	h.settle()
	h.mu.Lock()
	defer h.mu.Unlock()
	state := map[string]map[string]any{}
	for _, m := range h.raw {
		parts := strings.Split(m.Topic, "/")
		if len(parts) < 5 || parts[1] == markers {
			continue
		}
		if parts[2] == dbirth || state[parts[4]] == nil {
			state[parts[4]] = map[string]any{}
		}
		b, err := hex.DecodeString(m.Hex)
		if err != nil {
			t.Fatal(err)
		}
		now := state[parts[4]]
		values, historical := metricsOf(t, b)
		if historical { // changes nothing that a host shows as the present
			now = map[string]any{}
		}
		for name, value := range values {
			now[name] = value
		}
		if parts[2] == ddata {
			body, err := json.Marshal(now)
			if err != nil {
				t.Fatal(err)
			}
			list = append(list, sinktest.Arrival{Name: m.Topic, Body: body})
		}
	}
	return list
}

const markers = "markers"

// settle waits until all that the broker has read has come: a message of the host's own is behind it. A frozen broker is not waited for.
func (h *host) settle() {
	came := func() int {
		h.mu.Lock()
		defer h.mu.Unlock()
		n := 0
		for _, m := range h.raw {
			if strings.HasPrefix(m.Topic, "spBv1.0/"+markers) {
				n++
			}
		}
		return n
	}
	before := came()
	h.client.Publish("spBv1.0/"+markers+"/m", 0, false, "")
	for limit := time.Now().Add(300 * time.Millisecond); came() == before && time.Now().Before(limit); {
		time.Sleep(time.Millisecond)
	}
}

// metricsOf reads metrics as the schema has them; TestWhatAHostReads has the same read by others.
func metricsOf(t *testing.T, message []byte) (values map[string]any, historical bool) {
	t.Helper()
	values = map[string]any{}
	err := eachField(message, func(field protowire.Number, _ uint64, one []byte) error {
		if field != 2 {
			return nil
		}
		name, value := "", any(nil)
		err := eachField(one, func(field protowire.Number, number uint64, text []byte) error {
			switch field {
			case 1:
				name = string(text)
			case 5:
				historical = number == 1
			case 15:
				value = string(text)
			}
			return nil
		})
		values[name] = value
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return values, historical
}

func parse(a sinktest.Arrival) ([]sinktest.Fact, error) {
	var now map[string]any
	if err := json.Unmarshal(a.Body, &now); err != nil {
		return nil, err
	}
	text := func(name string) string { s, _ := now[name].(string); return s }
	return []sinktest.Fact{{ID: text(nameID), Balance: text(nameBalance), Digits: text(nameDigits), Unit: text(nameCode), PrintedUnit: text(nameUnit),
		Kind: text(nameKind), Stability: text(nameStability), InRange: text(nameRange), UTC: text(nameTime), Sample: text(nameSample)}}, nil
}

// TestNumbers as they go over the line: exact where a double is.
func TestNumbers(t *testing.T) {
	b := metric{nameValue, 12.345, good}.encode(time.UnixMilli(1), false)
	found := false
	for len(b) > 0 {
		field, kind, n := protowire.ConsumeTag(b)
		b = b[n:]
		if field == 13 {
			bits, _ := protowire.ConsumeFixed64(b)
			found = math.Float64frombits(bits) == 12.345
		}
		b = b[protowire.ConsumeFieldValue(field, kind, b):]
	}
	if !found {
		t.Error("the value is not there as a double")
	}
}
