//go:build linux

package gateway_test

import (
	"encoding/json"
	"strings"
	"testing"

	"weighpost/gateway/record"
	"weighpost/sinks/mqtt/mosquitto"
)

// TestAWeighingIsAskedForOverABroker: through the whole daemon; once recorded however often it is asked for, and a refusal noted.
func TestAWeighingIsAskedForOverABroker(t *testing.T) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	h := newHouse(t, "port-1")
	balance := &obedient{says: string(line(12345))}
	go balance.serve(h.cords["port-1"])
	h.start(t, asked+"sinks:\n"+strings.Replace(requestSinks(broker), "requests: true", "requests: true, requests_record: true", 1))
	l := newLIMS(t, broker)
	if token := l.client.Subscribe("weighpost/seed-bank/+/read/answer", 1, nil); !token.Wait() || token.Error() != nil {
		t.Fatal(token.Error())
	}
	l.listens("b-1")
	ask := func(balance, payload string) {
		l.client.Publish("weighpost/seed-bank/"+balance+"/read/ask", 1, false, payload).Wait()
	}
	for range 2 {
		ask("b-1", `{"record":true,"request":"r1"}`)
	}
	a := l.answer("r1")
	ask("b-9", `{"record":true,"request":"r2"}`)
	if b := l.answer("r2"); !a.Accepted || a.Read.Value.Digits != "12.345" || b.Accepted || !strings.Contains(b.Why, "no balance") {
		t.Errorf("%+v, %+v", a, b)
	}
	balance.set("")
	ask("b-1", `{"record":true,"request":"r3"}`)
	if c := l.answer("r3"); c.Accepted || c.Why != "Balance b-1 has not answered: nothing came within 500ms." {
		t.Errorf("%+v", c)
	}
	h.stop(t)
	if list := all[record.Weighing](t, h, record.KindWeighing); len(list) != 1 || list[0].Trigger != "asked" || list[0].ID != a.Read.Recorded || list[0].Request == "" {
		t.Errorf("%+v", list)
	}
	list := all[record.Refused](t, h, record.KindRefused)
	if b, _ := json.Marshal(list); len(list) != 1 || list[0].Address != "sink broker" || !strings.Contains(string(b), "b-9/read/ask") {
		t.Errorf("%s", b)
	}
}
