package mqtt

import (
	"os"
	"strings"
	"testing"
	"time"

	"weighpost/sinks"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
)

// TestAccessListOfTheManual has a real mosquitto hold to the access list that the manual gives: the sink gets through with its
// self-test, and a reader hears it.
func TestAccessListOfTheManual(t *testing.T) {
	t.Parallel() // most of it is waiting
	page, err := os.ReadFile("../../gateway/help/pages/sink-mqtt.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(page), "\n    user weighpost\n")
	list, _, found := strings.Cut("user weighpost\n"+rest, "\n\nWhere a broker")
	if !found {
		t.Fatal("the manual has no access list")
	}
	list = strings.ReplaceAll(strings.ReplaceAll(list, "\n    ", "\n"), "north-lab", testSite) + "\n"
	broker := mosquitto.Start(t, mosquitto.Options{ACL: list + "\nuser lab-system\ntopic readwrite marker/#\n\nuser asking-system\ntopic readwrite marker/#\n" +
		"\nuser wall-screen\ntopic readwrite marker/#\n",
		Users: map[string]string{"weighpost": "poppy seed", "lab-system": "far side", "asking-system": "far side", "wall-screen": "far side"}})
	far := collectAs(t, "tcp://"+broker.Addr(), "weighpost/#", "lab-system")
	c := config(broker.URL())
	c.Username, c.Password = "weighpost", secret(t, "poppy seed")
	entries := sinktest.Weighings(20, 3)
	h := newHolder()
	s := openDesk(t, c, h)
	s.States([]sinks.State{stateOf(sinks.OfBalance, "b-01", 1), stateOf(sinks.OfSink, "bench", 1)})
	deliverAll(within(t, 60*time.Second), t, s, entries)
	wall := collectAs(t, "tcp://"+broker.Addr(), "weighpost/#", "wall-screen")
	eventually(t, 30*time.Second, "a screen sees how all are, and no more", func() bool {
		wall.barrier()
		wall.mu.Lock()
		defer wall.mu.Unlock()
		topics := map[string]bool{}
		for _, m := range wall.all {
			topics[strings.TrimPrefix(m.Topic(), s.topics.base)] = true
		}
		return len(topics) == 3 && topics["/status"] && topics["/b-01/status"] && topics["/@/sink/bench/status"]
	})
	asking := collectAs(t, "tcp://"+broker.Addr(), "weighpost/"+testSite+"/+/read/answer", "asking-system")
	far.asks(balanceTopic(2, "read/ask"), `{"request":"who may not"}`, false)
	asking.asks(balanceTopic(1, "read/ask"), `{"request":"who may"}`, false)
	if a := asking.answersOn("/read/answer", 1)[0]; !a.Accepted || a.Request != "who may" {
		t.Errorf("%+v", a)
	}
	if lost, _, disorder := far.verdict(entries); lost != 0 || disorder != 0 {
		t.Errorf("lost %d, out of order %d", lost, disorder)
	}
}
