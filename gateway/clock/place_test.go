package clock

import (
	"errors"
	"testing"
	"time"
	_ "time/tzdata" // places, on a computer that has none
)

// TestPlace: a name is told only where the clocks go by it. Names and offsets are those of the IANA database.
func TestPlace(t *testing.T) {
	now := time.Date(2026, 11, 30, 9, 0, 0, 0, time.UTC)
	for _, c := range []struct{ what, local, tz, link, file, want string }{
		{"by the link", "Europe/Berlin", "", "/usr/share/zoneinfo/Europe/Berlin", "", "Europe/Berlin"},
		{"by a link of another form", "Europe/Berlin", "", "../usr/share/zoneinfo/Europe/Berlin", "", "Europe/Berlin"},
		{"by the environment first", "Asia/Tokyo", ":Asia/Tokyo", "/usr/share/zoneinfo/Europe/Berlin", "", "Asia/Tokyo"},
		{"the environment names none that there is", "Europe/Berlin", "Mars/Base", "/usr/share/zoneinfo/Europe/Berlin", "", "Europe/Berlin"},
		{"by the file", "Australia/Lord_Howe", "", "", "Australia/Lord_Howe\n", "Australia/Lord_Howe"},
		{"UTC", "UTC", "", "/usr/share/zoneinfo/Etc/UTC", "", "Etc/UTC"},
		{"the same now, and not in summer", "Africa/Lagos", "", "/usr/share/zoneinfo/Europe/Berlin", "", ""},
		{"nothing says it", "Europe/Berlin", "", "", "", ""},
		{"a path", "UTC", "../../etc/passwd", "", "", ""},
	} {
		local, err := time.LoadLocation(c.local)
		if err != nil {
			t.Fatal(err)
		}
		got := place(now, local, func(string) string { return c.tz }, func(string) (string, error) {
			if c.link == "" {
				return "", errors.New("no link")
			}
			return c.link, nil
		}, func(string) ([]byte, error) {
			if c.file == "" {
				return nil, errors.New("no file")
			}
			return []byte(c.file), nil
		})
		if got != c.want {
			t.Errorf("%s: %q, not %q", c.what, got, c.want)
		}
	}
}
