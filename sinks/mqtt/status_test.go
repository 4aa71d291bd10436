package mqtt

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
)

const statusTopic = "weighpost/" + testSite + "/status"

// statuses reads all status messages so far.
func (c *collector) statuses() []Status {
	var list []Status
	for _, m := range c.messages("/status") {
		var s Status
		if err := json.Unmarshal(m.Payload(), &s); err != nil {
			c.t.Fatalf("%s: %v", m.Payload(), err)
		}
		list = append(list, s)
	}
	return list
}

// kept is what the broker shows to somebody who subscribes only now.
func kept(t *testing.T, broker *mosquitto.Broker, topic string) paho.Message {
	t.Helper()
	late := collect(t, "tcp://"+broker.Addr(), topic)
	var found paho.Message
	eventually(t, 60*time.Second, topic+" is retained", func() bool {
		late.mu.Lock()
		defer late.mu.Unlock()
		for _, m := range late.all {
			found = m
		}
		return found != nil
	})
	if !found.Retained() {
		t.Errorf("%s was not retained", topic)
	}
	return found
}

func TestStatusOfAnOrderlyLife(t *testing.T) { each(t, testStatusOfAnOrderlyLife) }

func testStatusOfAnOrderlyLife(t *testing.T, config func(string) Config) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	far := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
	began := time.Now()
	s := openSink(t, config(broker.URL()))
	// Nothing is delivered: the connection is made all the same.
	eventually(t, 60*time.Second, "online", func() bool { return len(far.statuses()) == 1 })
	first := far.statuses()[0]
	if first.State != "online" || first.Site != testSite || first.Sink != "bench" || first.Connection == "" || first.Schema != "weighpost.status/1" {
		t.Errorf("got %+v", first)
	}
	if at := first.Connected.Time(); at.Before(began.Add(-time.Millisecond)) || at.After(time.Now()) {
		t.Errorf("connected at %s", at)
	}
	s.Status([]byte(`[{"code":"port-missing","subject":"b-02"}]`))
	eventually(t, 60*time.Second, "conditions", func() bool { return len(far.statuses()) == 2 })
	if got := far.statuses()[1]; string(got.Conditions) != `[{"code":"port-missing","subject":"b-02"}]` || got.State != "online" {
		t.Errorf("got %+v", got)
	}
	s.Status([]byte(`not JSON`)) // must do no harm
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	last := far.statuses()[len(far.statuses())-1]
	if last.State != "offline" || last.Connection != first.Connection || last.UTC == nil || last.Why != whyStopped {
		t.Errorf("got %+v", last)
	}
	var shown Status
	if err := json.Unmarshal(kept(t, broker, statusTopic).Payload(), &shown); err != nil || shown.State != "offline" {
		t.Errorf("kept %+v: %v", shown, err)
	}
}

// TestLastWillAfterKill runs the sink in a process of its own and kills that without warning.
func TestLastWillAfterKill(t *testing.T) {
	t.Parallel() // most of it is waiting
	if url := os.Getenv("WEIGHPOST_TEST_CHILD_BROKER"); url != "" {
		s, err := New(config(url), "bench", sinks.Env{Site: testSite})
		if err == nil {
			_, err = s.Deliver(context.Background(), sinktest.Weighings(3, 1))
		}
		fmt.Fprintln(os.Stderr, "delivered:", err)
		select {} // until killed
	}
	broker := mosquitto.Start(t, mosquitto.Options{})
	far := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
	child := exec.Command(os.Args[0], "-test.run", "^TestLastWillAfterKill$")
	child.Env = append(os.Environ(), "WEIGHPOST_TEST_CHILD_BROKER="+broker.URL())
	child.Stderr = os.Stderr
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	killed := false
	defer func() {
		if !killed {
			_ = child.Process.Kill()
			_ = child.Wait()
		}
	}()
	eventually(t, 30*time.Second, "weighings of the child", func() bool { return len(far.arrivals()) == 3 })
	if err := child.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = child.Wait() // "signal: killed" is what it was meant to be
	killed = true
	eventually(t, 60*time.Second, "the last will", func() bool {
		all := far.statuses()
		return all[len(all)-1].State == "offline"
	})
	all := far.statuses()
	first, last := all[0], all[len(all)-1]
	if last.Why != whyLost || last.UTC != nil || last.Connection != first.Connection || last.Connected != first.Connected {
		t.Errorf("got %+v after %+v", last, first)
	}
}

// TestReconnectsWhileIdle cuts the link while nothing is delivered: the status goes offline and comes back by itself.
func TestReconnectsWhileIdle(t *testing.T) { each(t, testReconnectsWhileIdle) }

func testReconnectsWhileIdle(t *testing.T, config func(string) Config) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	far := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
	between := startProxy(t, broker.Addr())
	s := openSink(t, config(between.url()))
	s.Status([]byte(`[]`))
	eventually(t, 60*time.Second, "online", func() bool { return len(far.statuses()) > 0 })
	between.down()
	eventually(t, 60*time.Second, "offline", func() bool {
		all := far.statuses()
		return all[len(all)-1].State == "offline"
	})
	s.Status([]byte(`[{"code":"recording-stopped"}]`))
	between.up()
	eventually(t, 60*time.Second, "online again, with what was said meanwhile", func() bool {
		all := far.statuses()
		last := all[len(all)-1]
		return last.State == "online" && string(last.Conditions) == `[{"code":"recording-stopped"}]`
	})
}

func TestCheckpointIsRetained(t *testing.T) { each(t, testCheckpointIsRetained) }

func testCheckpointIsRetained(t *testing.T, config func(string) Config) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	s := openSink(t, config(broker.URL()))
	for _, note := range []string{"first\n", "weighpost.example/north\n7\nroot\n\n— key sig\n"} {
		if err := s.Checkpoint(within(t, 60*time.Second), []byte(note)); err != nil {
			t.Fatal(err)
		}
		if m := kept(t, broker, "weighpost/"+testSite+"/checkpoint"); string(m.Payload()) != note {
			t.Errorf("got %q, want %q", m.Payload(), note)
		}
	}
	broker.Stop(t)
	if err := s.Checkpoint(within(t, 60*time.Second), []byte("x")); err == nil {
		t.Error("a broker that is gone took a checkpoint")
	}
}

func TestTopicsOfOtherKinds(t *testing.T) { each(t, testTopicsOfOtherKinds) }

func testTopicsOfOtherKinds(t *testing.T, config func(string) Config) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	far := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
	c := config(broker.URL())
	c.Retain = true
	s := openSink(t, c)
	entries := []record.Entry{
		{Kind: record.KindResult, Balance: "b-01", ID: "r", JSON: []byte(`{"r":1}`)},
		{Kind: record.KindUnread, Balance: "b-01", ID: "u", JSON: []byte(`{"u":1}`)},
		{Kind: record.KindStart, ID: "s", JSON: []byte(`{"s":1}`)},
	}
	deliverAll(within(t, 60*time.Second), t, s, entries)
	for i, suffix := range []string{"/b-01/result", "/b-01/unread", "/@/start"} {
		got := far.messages(suffix)
		if len(got) != 1 || got[0].Topic() != "weighpost/"+testSite+suffix || string(got[0].Payload()) != string(entries[i].JSON) {
			t.Errorf("%s: %v", suffix, got)
		}
	}
	if m := kept(t, broker, "weighpost/"+testSite+"/b-01/result"); string(m.Payload()) != `{"r":1}` {
		t.Errorf("retained %q", m.Payload())
	}
	n, err := s.Deliver(within(t, 60*time.Second), []record.Entry{entries[0], {Kind: record.KindUnread, Balance: "b-01", ID: "huge", JSON: make([]byte, maxPacket)}})
	if n != 1 || !errors.As(err, new(sinks.Refused)) {
		t.Errorf("accepted %d of an entry too large and said %v", n, err)
	}
}
