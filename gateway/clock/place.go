package clock

import (
	"os"
	"strings"
	"time"
)

// Place is the IANA name of the time zone that the clocks of this computer go by, such as Europe/Berlin; "" where it does not say, or says
// something that its clocks do not go by.
func Place(now time.Time) string { return place(now, time.Local, os.Getenv, os.Readlink, os.ReadFile) }

func place(now time.Time, local *time.Location, env func(string) string, link func(string) (string, error), read func(string) ([]byte, error)) string {
	names := []string{strings.TrimPrefix(env("TZ"), ":")}
	if to, err := link("/etc/localtime"); err == nil {
		if _, name, is := strings.Cut(to, "zoneinfo/"); is {
			names = append(names, name)
		}
	}
	if text, err := read("/etc/timezone"); err == nil {
		names = append(names, strings.TrimSpace(string(text)))
	}
	for _, name := range names {
		zone, err := time.LoadLocation(name)
		if name != "" && name != "Local" && err == nil && alike(zone, local, now) {
			return name
		}
	}
	return ""
}

// alike says whether two zones have the same offset from now on, a year ahead.
func alike(a, b *time.Location, now time.Time) bool {
	for month := range 13 {
		at := now.AddDate(0, month, 0)
		_, x := at.In(a).Zone()
		_, y := at.In(b).Zone()
		if x != y {
			return false
		}
	}
	return true
}
