package record_test

import (
	"encoding/json"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// instant is the moment at which everything in these tests happens.
var instant = time.Date(2026, 11, 25, 10, 4, 5, 123456000, time.UTC)

func span(d time.Duration) *record.Span {
	s := record.Span(d)
	return &s
}

// weighing is a full weighing of a seed bank, as the journal would write it.
func weighing() *record.Weighing {
	stamp := record.Stamp{UTC: record.UTC(instant), Zone: "+01:00", Bound: span(21 * time.Millisecond), Clock: record.ClockChecked, Sources: 3}
	return &record.Weighing{
		Head: record.Head{Schema: record.KindWeighing.Schema(), ID: "north-lab/7qx3/b-12/000184", Seq: 90211, Site: "north-lab"},
		Balance: record.Balance{ID: "b-12", Serial: "0047-1123", Place: "seed store, bench 2", Capacity: "220 g",
			Readability: "0.0001 g", Identity: "confirmed"},
		Value: record.Value{Digits: "12.3450", Unit: "g", PrintedUnit: "g", Kind: "net", Stability: "stable", Range: "in"},
		Frame: []byte("   +12.3450 g  ok\r\n"), Layout: "sha256:0000000000000000000000000000000000000000000000000000000000000000",
		Trigger: "printed", Port: "/dev/ttyUSB0", Stamp: stamp,
		Context:  record.Context{Sample: &record.Learnt{ID: "barley-0071", By: "scanned"}, Fields: map[string]string{}},
		Fitness:  record.Fitness{State: "unknown"},
		Software: record.Software{Version: "0.1.0", Config: "sha256:0000000000000000000000000000000000000000000000000000000000000000"},
	}
}

func encode(t testing.TB, v any) []byte {
	t.Helper()
	raw, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return raw
}
