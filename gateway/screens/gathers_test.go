package screens

import (
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

// TestWhatWaitsForItsBatchIsNotLate: an hour that is not over, or a number that is not full, is no trouble; an hour that is over is.
func TestWhatWaitsForItsBatchIsNotLate(t *testing.T) {
	ago := func(d time.Duration) *record.UTC { at := record.UTC(time.Now().Add(-d)); return &at }
	for _, c := range []struct {
		sink         console.Sink
		behind, says string
		late         bool
	}{
		{console.Sink{Closed: "day", Waiting: 7, Lag: 9, BehindSince: ago(0)}, "7 entries gathered for the next batch", "once the day is over, at 00:00 (UTC)", false},
		{console.Sink{Closed: "hour", Waiting: 7, Lag: 9, BehindSince: ago(2 * time.Hour)}, "behind by 7 entries", "", true},
		{console.Sink{Closed: "500", Waiting: 1, Lag: 1, BehindSince: ago(2 * time.Hour)}, "1 entry gathered for the next batch", "500 of them", false},
		{console.Sink{Closed: "500", Waiting: 7, Lag: 9, AtLeast: true, BehindSince: ago(time.Hour)}, "behind by 7 entries or more", "", true},
		{console.Sink{Holds: true}, "has everything that was released", "", false},
	} {
		c.sink.State = "working"
		d := destination{Sink: c.sink}
		if got := d.Gathers(); d.Behind() != c.behind || d.Late() != c.late || !strings.Contains(got, c.says) || (got == "") != (c.says == "") {
			t.Errorf("%+v: %q, %q, late %v", c.sink, d.Behind(), got, d.Late())
		}
	}
}
