package session

import (
	"slices"
	"testing"
	"time"
	_ "time/tzdata" // places, on a computer that has none
)

// TestShiftsAndClocksThatChange: the rules of the zones are those of the IANA database: Berlin went to summer time at 02:00 on
// 29 March 2026 and goes back at 03:00 on 25 October 2026; Lord Howe Island changes by half an hour; Apia left out 30 December
// 2011; Sao Paulo began summer time at midnight.
func TestShiftsAndClocksThatChange(t *testing.T) {
	for _, c := range []struct {
		name, zone, from, to string
		ends                 []TimeOfDay
		want                 []string // UTC
	}{
		{"an ordinary day", "Europe/Berlin", "2026-11-25T00:00:00Z", "2026-11-26T00:00:00Z", []TimeOfDay{{6, 0}, {14, 0}, {22, 0}},
			[]string{"2026-11-25T05:00:00Z", "2026-11-25T13:00:00Z", "2026-11-25T21:00:00Z"}},
		{"the hour that comes twice ends a shift once", "Europe/Berlin", "2026-10-24T12:00:00Z", "2026-10-26T00:00:00Z", []TimeOfDay{{2, 30}},
			[]string{"2026-10-25T00:30:00Z"}},
		{"its first minute", "Europe/Berlin", "2026-10-24T12:00:00Z", "2026-10-26T00:00:00Z", []TimeOfDay{{2, 0}}, []string{"2026-10-25T00:00:00Z"}},
		{"the minute after it", "Europe/Berlin", "2026-10-24T12:00:00Z", "2026-10-26T00:00:00Z", []TimeOfDay{{3, 0}}, []string{"2026-10-25T02:00:00Z"}},
		{"the hour that is left out still ends a shift", "Europe/Berlin", "2026-03-28T12:00:00Z", "2026-03-30T00:00:00Z", []TimeOfDay{{2, 30}},
			[]string{"2026-03-29T01:00:00Z"}},
		{"the minute at which it is left out", "Europe/Berlin", "2026-03-28T12:00:00Z", "2026-03-29T12:00:00Z", []TimeOfDay{{2, 0}, {3, 0}},
			[]string{"2026-03-29T01:00:00Z"}},
		{"half an hour back", "Australia/Lord_Howe", "2026-04-04T00:00:00Z", "2026-04-05T10:00:00Z", []TimeOfDay{{1, 45}}, []string{"2026-04-04T14:45:00Z"}},
		{"a day that is left out", "Pacific/Apia", "2011-12-30T00:00:00Z", "2011-12-31T12:00:00Z", []TimeOfDay{{14, 0}},
			[]string{"2011-12-30T10:00:00Z", "2011-12-31T00:00:00Z"}},
		{"midnight is left out", "America/Sao_Paulo", "2018-11-03T12:00:00Z", "2018-11-04T12:00:00Z", []TimeOfDay{{0, 0}}, []string{"2018-11-04T03:00:00Z"}},
		{"no shifts", "Europe/Berlin", "2026-11-25T00:00:00Z", "2026-11-26T00:00:00Z", nil, nil},
	} {
		loc, err := time.LoadLocation(c.zone)
		if err != nil {
			t.Fatal(err)
		}
		at, _ := time.Parse(time.RFC3339, c.from)
		end, _ := time.Parse(time.RFC3339, c.to)
		var got []string
		for range 10 {
			if at = Next(c.ends, loc, at); at.IsZero() || at.After(end) {
				break
			}
			got = append(got, at.UTC().Format(time.RFC3339))
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, not %v", c.name, got, c.want)
		}
	}
}

// TestSomebodySignedInInTheHourThatComesTwice stays until the next day's end: that hour ended the shift once.
func TestSomebodySignedInInTheHourThatComesTwice(t *testing.T) {
	loc, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	x := newTable(Config{})
	x.shifts, x.loc = []TimeOfDay{{2, 30}}, loc
	x.now = time.Date(2026, 10, 25, 0, 0, 0, 0, time.UTC) // 02:00, the first time
	_, first := x.start(t, "p-1", "")
	x.now = time.Date(2026, 10, 25, 0, 30, 0, 0, time.UTC)
	x.Sweep()
	_, second := x.start(t, "p-2", "")
	x.now = x.now.Add(29 * time.Minute)
	_, _ = x.Find(second)
	x.now = x.now.Add(29 * time.Minute)
	_, _ = x.Find(second)
	x.now = time.Date(2026, 10, 25, 1, 30, 0, 0, time.UTC) // 02:30, the second time
	_, _ = x.Find(second)
	x.checkEnded(t, "p-1 shift")
	if x.good(first) {
		t.Error("the first time ended nothing")
	}
}

func TestTimeOfDay(t *testing.T) {
	for _, good := range []string{"00:00", "06:05", "23:59"} {
		if at, err := ParseTimeOfDay(good); err != nil || at.String() != good {
			t.Errorf("%s: %v, %v", good, at, err)
		}
	}
	for _, bad := range []string{"", "6:00", "24:00", "12:60", "12:00:00", " 12:00", "12.00"} {
		if at, err := ParseTimeOfDay(bad); err == nil {
			t.Errorf("%q is %v", bad, at)
		}
	}
}
