package mqtt

import (
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
)

// events is a configuration that publishes CloudEvents in binary mode.
func events(url string) Config {
	c := config5(url)
	c.Choice.Format = "cloudevents"
	c.Choice.CloudEvents.Mode, c.Choice.CloudEvents.Source, c.Choice.CloudEvents.TypePrefix = "binary", "https://bank.example/north", "example.bank"
	return c
}

// TestPreviewIsWhatArrives compares what the preview shows with what a client of another library (paho.golang) hears of a real
// broker: topic, media type, user properties in their order, and body.
func TestPreviewIsWhatArrives(t *testing.T) {
	t.Parallel() // most of it is waiting
	for name, change := range map[string]func(string) Config{"json": config5, "events": events, "csv": func(url string) Config {
		c := config5(url)
		c.Choice.Format, c.Choice.CSV.Header, c.Expiry = "csv", false, strict.Duration(time.Hour)
		return c
	}} {
		t.Run(name, func(t *testing.T) {
			broker := mosquitto.Start(t, mosquitto.Options{})
			far := hear5(t, broker.Addr(), "weighpost/+/+/weighing")
			c := change(broker.URL())
			s := openSink(t, c)
			entries := sinktest.Weighings(20, 5)
			entries[3].Late = true
			deliverAll(within(t, 60*time.Second), t, s, entries)
			eventually(t, 60*time.Second, "all arrive", func() bool { return len(far.all()) == len(entries) })
			for i, m := range far.all() {
				shown, err := c.Preview("bench", sinks.Env{Site: testSite}, entries[i])
				if err != nil {
					t.Fatal(err)
				}
				var list []sinks.Attribute
				for _, u := range m.Properties.User {
					list = append(list, sinks.Attribute{Name: u.Key, Value: u.Value})
				}
				if m.Topic != shown.To || m.Properties.ContentType != shown.Type || string(m.Payload) != string(shown.Body) || !slices.Equal(list, shown.Attributes) {
					t.Fatalf("entry %d: shown %+v\narrived %v\n%s", i, shown, m, m.Payload)
				}
				if late := slices.Contains(list, sinks.Attribute{Name: "weighpost-late", Value: "true"}); late != (i == 3) {
					t.Errorf("entry %d: late %v", i, late)
				}
				if (m.Properties.MessageExpiry != nil) != (name == "csv") {
					t.Errorf("entry %d: expiry %v", i, m.Properties.MessageExpiry)
				}
			}
		})
	}
}

// TestEventsInBinaryMode holds what goes beside an event to the MQTT binding of CloudEvents 1.0.2, section 3.1.3: plain names, the
// media type of the data as content type, and no attribute for it.
func TestEventsInBinaryMode(t *testing.T) {
	c := events("mqtt://127.0.0.1")
	e := sinktest.Weighings(1, 5)[0]
	shown, err := c.Preview("bench", sinks.Env{Site: testSite}, e)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	for _, a := range shown.Attributes {
		if got[a.Name] != "" {
			t.Errorf("%s comes twice", a.Name)
		}
		got[a.Name] = a.Value
	}
	if got["specversion"] != "1.0" || got["id"] != e.ID || got["source"] != "https://bank.example/north" || got["type"] != "example.bank.weighing.v1" ||
		got["datacontenttype"] != "" || shown.Type != "application/json" || string(shown.Body) != string(e.JSON) {
		t.Errorf("%q, %s", got, shown.Type)
	}
	old := c
	old.Version = version3
	r := strict.NewReport("x")
	old.Check(r)
	if err := r.Faults().Err(); err == nil || !strings.Contains(err.Error(), "beside the body") {
		t.Errorf("MQTT 3.1.1 takes events in binary mode: %v", err)
	}
}

// TestFormatThatCannotHoldAnEntry: it is refused, and those before it go out.
func TestFormatThatCannotHoldAnEntry(t *testing.T) {
	c := config("mqtt://" + startMochi(t))
	c.Choice.Format = "csv"
	entries := sinktest.Weighings(3, 5)
	entries[1] = record.Entry{Kind: record.KindStart, ID: "s", JSON: []byte(`{}`)}
	n, err := openSink(t, c).Deliver(within(t, 60*time.Second), entries)
	if n != 1 || class(err) != "refused" {
		t.Errorf("accepted %d: %v", n, err)
	}
}

// TestNobodyListens: a broker that says so (reason code 0x10) has taken the entry all the same; real mosquitto.
func TestNobodyListens(t *testing.T) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	c := config5(broker.URL())
	c.SelfTest = false // or our own subscription would listen
	entries := sinktest.Weighings(5, 5)
	if n, err := openSink(t, c).Deliver(within(t, 60*time.Second), entries); n != 5 || err != nil {
		t.Errorf("accepted %d: %v", n, err)
	}
}
