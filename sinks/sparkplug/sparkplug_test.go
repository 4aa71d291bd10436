package sparkplug

import (
	"context"
	"encoding/json"
	"math"
	"net"
	"slices"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/record"
	"weighpost/sinks/format"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
	"weighpost/sinks/sinktest/toxic"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m, toxic.Left()...) }

// fresh makes the stamps of generated weighings those of now.
func fresh(t *testing.T, entries []record.Entry) []record.Entry {
	t.Helper()
	for i := range entries {
		var w map[string]json.RawMessage
		var stamp map[string]any
		if err := json.Unmarshal(entries[i].JSON, &w); err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(w["stamp"], &stamp); err != nil {
			t.Fatal(err)
		}
		stamp["utc"] = record.UTC(time.Now().Add(time.Duration(i) * time.Microsecond)).String()
		w["stamp"], _ = json.Marshal(stamp)
		entries[i].JSON, _ = json.Marshal(w)
	}
	return entries
}

func deliver(t *testing.T, s *Sink, entries []record.Entry) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	for len(entries) > 0 {
		n, err := s.Deliver(ctx, entries)
		if entries = entries[n:]; err != nil && ctx.Err() != nil {
			t.Fatal(err)
		}
	}
}

// TestWhatAHostReads: 600 weighings of several balances, so that numbers wrap, read back by an independent reader.
func TestWhatAHostReads(t *testing.T) {
	reader(t)
	broker := mosquitto.Start(t, mosquitto.Options{})
	h := listen(t, broker)
	s := open(t, config(broker))
	h.until(t, nbirth, 1)
	entries := fresh(t, sinktest.Weighings(600, 9))
	deliver(t, s, entries)
	h.until(t, ddata, 600)
	list := h.read(t)
	if sessions := holds(t, list); !slices.Equal(sessions, []int{0}) {
		t.Errorf("sessions had the numbers %v", sessions)
	}
	state := map[string]map[string]any{} // of each device, as a host keeps it
	at := 0
	for _, m := range list {
		if m.Kind == dbirth {
			state[m.Device] = map[string]any{}
		}
		if m.Kind != dbirth && m.Kind != ddata {
			continue
		}
		for _, one := range m.Payload.Metrics {
			state[m.Device][one.Name] = one.Value
			if one.IsNull {
				state[m.Device][one.Name] = nil
			}
			if one.IsHistorical {
				t.Errorf("%s of a weighing of this session is historical", one.Name)
			}
		}
		if m.Kind == ddata {
			same(t, entries[at], m, state[m.Device])
			at++
		}
	}
}

// same holds what a host knows of a device against a weighing.
func same(t *testing.T, e record.Entry, m heard, state map[string]any) {
	t.Helper()
	var w record.Weighing
	if err := json.Unmarshal(e.JSON, &w); err != nil {
		t.Fatal(err)
	}
	want := map[string]any{nameID: w.ID, nameDigits: w.Value.Digits, nameUnit: w.Value.PrintedUnit, nameCode: w.Value.Unit, nameTime: w.Stamp.UTC.String(), nameRange: w.Value.Range}
	if w.Context.Sample != nil {
		want[nameSample] = w.Context.Sample.ID
	}
	for name, value := range want {
		if state[name] != value {
			t.Errorf("%s: %s is %q, want %q", e.ID, name, state[name], value)
		}
	}
	if m.Device != format.TopicLevel(e.Balance) || m.Payload.Metrics[0].Timestamp != w.Stamp.UTC.Time().UnixMilli() {
		t.Errorf("%s came as of %s at %d", e.ID, m.Device, m.Payload.Metrics[0].Timestamp)
	}
	for _, one := range m.Payload.Metrics {
		if q, there := one.Properties["Quality"]; one.Name == nameValue && (w.Value.Range != "in") != (there && q.Value == 0.0 && q.Type == "Int32") {
			t.Errorf("%s: range %s, quality %v", e.ID, w.Value.Range, q)
		}
	}
	if f, is := state[nameValue].(float64); w.Value.Range == "in" && (!is || math.IsNaN(f)) {
		t.Errorf("%s: the value is %v", e.ID, state[nameValue])
	}
}

// TestALostBrokerAndARebirth: what was recorded meanwhile is historical, bdSeq counts connections, a lost connection is a death by the will,
// and a host gets births when it asks.
func TestALostBrokerAndARebirth(t *testing.T) {
	reader(t)
	broker := mosquitto.Start(t, mosquitto.Options{})
	h := listen(t, broker)
	s := open(t, config(broker))
	h.until(t, nbirth, 1) // what is recorded before the session began is historical
	entries := fresh(t, sinktest.Weighings(20, 9))
	deliver(t, s, entries[:8])
	h.send(t, "spBv1.0/seeds/NCMD/north", payload{at: time.Now(), metrics: []metric{{rebirth, false, good}, {"Other", true, good}}})
	h.send(t, "spBv1.0/seeds/NCMD/north", payload{at: time.Now(), metrics: []metric{{rebirth, true, good}}})
	h.until(t, nbirth, 2)

	s.mu.Lock()
	s.session.mu.Lock()
	_ = s.session.conn.(*net.TCPConn).CloseWrite() // the broker sees an end without a DISCONNECT
	s.session.mu.Unlock()
	s.mu.Unlock()
	h.until(t, ndeath, 1)
	h.until(t, nbirth, 3)
	deliver(t, s, entries[8:16]) // recorded before the session began
	deliver(t, s, fresh(t, entries[16:]))
	h.until(t, ddata, 20)
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	h.until(t, ndeath, 2)
	list := h.read(t)
	if sessions := holds(t, list); !slices.Equal(sessions, []int{0, 1}) {
		t.Errorf("sessions had the numbers %v", sessions)
	}
	historical := map[bool]int{}
	for _, m := range list {
		if m.Kind == ddata {
			historical[m.Payload.Metrics[0].IsHistorical]++
		}
	}
	if historical[true] != 8 || historical[false] != 12 {
		t.Errorf("historical and not: %v", historical)
	}
}

// TestABalanceThatCannotBeHeard dies, and is born again by what comes next.
func TestABalanceThatCannotBeHeard(t *testing.T) {
	reader(t)
	broker := mosquitto.Start(t, mosquitto.Options{})
	h := listen(t, broker)
	s := open(t, config(broker))
	h.until(t, nbirth, 1)
	entries := fresh(t, sinktest.Weighings(20, 9))
	balance := entries[0].Balance
	entries = slices.DeleteFunc(entries, func(e record.Entry) bool { return e.Balance != balance })[:3]
	down, up := entries[0], entries[0]
	down.Kind, up.Kind = record.KindPortDown, record.KindPortUp
	deliver(t, s, []record.Entry{down, entries[0], down, down, entries[1], down, up, entries[2]})
	h.until(t, ddata, 3)
	list := h.read(t)
	holds(t, list)
	var kinds []string
	for _, m := range list {
		kinds = append(kinds, m.Kind)
	}
	if want := []string{nbirth, dbirth, ddata, ddeath, dbirth, ddata, ddeath, dbirth, ddata}; !slices.Equal(kinds, want) {
		t.Errorf("%v, want %v", kinds, want)
	}
}

// TestAnAbsentBrokerAcceptsNothing, nor a frozen one, and Deliver ends when told to.
func TestAnAbsentBrokerAcceptsNothing(t *testing.T) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	s := open(t, config(broker))
	entries := fresh(t, sinktest.Weighings(4, 9))
	deliver(t, s, entries[:1])
	for _, away := range []func(testing.TB){broker.Freeze, broker.Kill} {
		away(t)
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		if n, err := s.Deliver(ctx, entries); n != 0 || err == nil {
			t.Errorf("accepted %d: %v", n, err)
		}
		cancel()
	}
	broker.Start(t)
	deliver(t, s, entries)
}

// FuzzCommands: what comes from a broker is hostile.
func FuzzCommands(f *testing.F) {
	f.Add(payload{at: time.Unix(0, 0), metrics: []metric{{rebirth, true, good}}}.encode())
	f.Add([]byte{0x12, 0xff, 0xff, 0xff, 0xff, 0x0f})
	f.Fuzz(func(t *testing.T, command []byte) {
		if asks, err := asksRebirth(command); asks && err != nil {
			t.Errorf("asks and fails: %v", err)
		}
	})
}
