//go:build linux

package gateway_test

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// timeServer answers NTP questions on loopback with the computer's time moved by ahead (RFC 5905 section 7.3).
func timeServer(t *testing.T, ahead time.Duration) string {
	t.Helper()
	conn, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	t.Cleanup(func() { _ = conn.Close(); <-done })
	go func() {
		defer close(done)
		var q [512]byte
		for {
			n, from, err := conn.ReadFrom(q[:])
			if err != nil {
				return
			}
			if n < 48 {
				continue
			}
			now := time.Now().Add(ahead)
			stamp := uint64(now.Unix()+2208988800)<<32 | uint64(now.Nanosecond())<<32/1e9
			a := make([]byte, 48)
			a[0], a[1], a[3] = 4<<3|4, 2, 0xec // version 4, from a server, stratum 2, precision 2^-20 s
			copy(a[24:], q[40:48])
			for at, v := range map[int]uint64{16: stamp - 9<<32, 32: stamp, 40: stamp} {
				binary.BigEndian.PutUint64(a[at:], v)
			}
			_, _ = conn.WriteTo(a, from)
		}
	}()
	return conn.LocalAddr().String()
}

// TestWeighingsCarryTheTimeServersTime runs a daemon whose three time servers say that the computer is an hour slow. Once they
// are heard, what is printed is stamped an hour later than the computer's clock says, and an entry says by how much the stamps
// before it were wrong.
func TestWeighingsCarryTheTimeServersTime(t *testing.T) {
	servers := fmt.Sprintf("clock: {servers: [%q, %q, %q]}\n", timeServer(t, time.Hour), timeServer(t, time.Hour), timeServer(t, time.Hour))
	d := newDaemon(t, daemonOptions{more: servers})
	d.start(t)
	until(t, func() bool { return d.Clock().State == record.ClockChecked }, "the clock is never checked")
	before := time.Now()
	if _, err := d.cords[0].Write(line(1)); err != nil {
		t.Fatal(err)
	}
	until(t, func() bool { return d.Balances()[0].Recorded == 1 }, "nothing is recorded")
	after := time.Now()
	d.stop(t)

	var change *record.ClockChange
	var weighing *record.Weighing
	for _, e := range entries(t, d) {
		switch e.Kind {
		case record.KindClockChanged:
			change = &record.ClockChange{}
			unmarshal(t, e.JSON, change)
		case record.KindWeighing:
			weighing = &record.Weighing{}
			unmarshal(t, e.JSON, weighing)
		}
	}
	if change == nil || change.From != record.ClockUnchecked || change.State != record.ClockChecked ||
		!strings.HasPrefix(change.Step, "+3600.0") && !strings.HasPrefix(change.Step, "+3599.9") || len(change.Servers) != 3 {
		t.Fatalf("%+v", change)
	}
	var fixed record.Corrections
	for _, e := range entries(t, d) {
		if err := fixed.Add(e); err != nil {
			t.Fatal(err)
		}
	}
	for _, e := range entries(t, d) {
		stamp, _ := record.StampOf(e)
		got, ok := fixed.OfEntry(e)
		if ok != (stamp.Clock == record.ClockUnchecked) || ok && (got.UTC.Time().Sub(stamp.UTC.Time())-time.Hour).Abs() > time.Duration(got.Bound) {
			t.Errorf("the stamp of entry %d (%s, %s) is corrected to %+v %v", e.Seq, e.Kind, stamp.Clock, got, ok)
		}
	}
	s := weighing.Stamp
	if s.Clock != record.ClockChecked || s.Sources != 3 || s.Bound == nil || time.Duration(*s.Bound) > time.Second {
		t.Fatalf("%+v", s)
	}
	at, bound := s.UTC.Time().Add(-time.Hour), time.Duration(*s.Bound)
	if at.Before(before.Add(-bound)) || at.After(after.Add(bound)) {
		t.Errorf("stamped %s for what came between %s and %s", at, before, after)
	}
}

func unmarshal(t *testing.T, b []byte, v any) {
	t.Helper()
	if err := json.Unmarshal(b, v); err != nil {
		t.Fatal(err)
	}
}
