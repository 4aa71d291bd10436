package clock

import (
	"encoding/json"
	"testing"
	"time"
	_ "time/tzdata" // the zones below are known on every machine
)

func TestTheSystemsClockIsUnchecked(t *testing.T) {
	berlin := time.FixedZone("", 3600)
	at := time.Date(2026, 11, 25, 11, 4, 5, 123456789, berlin)
	for _, c := range []struct {
		zone *time.Location
		want string
	}{
		{berlin, `{"utc":"2026-11-25T10:04:05.123456Z","zone":"+01:00","bound_s":null,"clock":"unchecked","sources":0}`},
		{time.UTC, `{"utc":"2026-11-25T10:04:05.123456Z","zone":"+00:00","bound_s":null,"clock":"unchecked","sources":0}`},
		{time.FixedZone("", -(3*3600 + 1800)), `{"utc":"2026-11-25T10:04:05.123456Z","zone":"-03:30","bound_s":null,"clock":"unchecked","sources":0}`},
	} {
		got, err := json.Marshal(System{Zone: c.zone}.Stamp(at))
		if err != nil || string(got) != c.want {
			t.Errorf("%s, %v\nwant %s", got, err, c.want)
		}
	}
}

// In the repeated hour of autumn the stamps are distinct and only the zone tells the two apart. The dates of the change are
// those of the IANA time zone database for Europe/Berlin in 2026.
func TestTheRepeatedHour(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	s := System{Zone: berlin}
	first, second := s.Stamp(time.Date(2026, 10, 25, 0, 30, 0, 0, time.UTC)), s.Stamp(time.Date(2026, 10, 25, 1, 30, 0, 0, time.UTC))
	if first.Zone != "+02:00" || second.Zone != "+01:00" || second.UTC.Time().Sub(first.UTC.Time()) != time.Hour {
		t.Errorf("%+v, %+v", first, second)
	}
}

func TestWithoutAZoneItIsTheSystems(t *testing.T) {
	now := time.Now()
	if got, want := (System{}).Stamp(now).Zone, now.Local().Format("-07:00"); got != want {
		t.Errorf("zone %s, want %s", got, want)
	}
}
