package mosquitto

import (
	"net"
	"strings"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// greeted says whether the broker answers a CONNECT within the limit.
func greeted(t *testing.T, b *Broker, limit time.Duration) bool {
	t.Helper()
	c, err := net.DialTimeout("tcp", b.Addr(), limit)
	if err != nil {
		return false
	}
	defer c.Close()
	_ = c.SetDeadline(time.Now().Add(limit))
	hello := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	hello.ProtocolName, hello.ProtocolVersion, hello.CleanSession, hello.ClientIdentifier = "MQTT", 4, true, "probe"
	if err := hello.Write(c); err != nil {
		return false
	}
	answer, err := packets.ReadPacket(c)
	if err != nil {
		return false
	}
	ack, ok := answer.(*packets.ConnackPacket)
	return ok && ack.ReturnCode == packets.Accepted
}

func TestLives(t *testing.T) {
	b := Start(t, Options{})
	for _, step := range []struct {
		name    string
		do      func(testing.TB)
		answers bool
	}{
		{"start", func(testing.TB) {}, true}, {"freeze", b.Freeze, false}, {"thaw", b.Thaw, true},
		{"stop", b.Stop, false}, {"start again", b.Start, true}, {"kill", b.Kill, false}, {"start after kill", b.Start, true},
	} {
		step.do(t)
		limit := 5 * time.Second
		if !step.answers {
			limit = 300 * time.Millisecond
		}
		if got := greeted(t, b, limit); got != step.answers {
			t.Fatalf("after %s: answers %t, want %t\n%s", step.name, got, step.answers, b.Log())
		}
	}
	if !strings.Contains(b.Log(), "running") {
		t.Errorf("the log says %q", b.Log())
	}
}

// A broker that has only just begun to listen can be stopped too: it forgets the first signal.
func TestStopRightAfterStart(t *testing.T) {
	b := Start(t, Options{})
	for range 10 {
		b.Stop(t)
		b.Start(t)
	}
}
