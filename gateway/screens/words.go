package screens

import (
	"fmt"
	"html/template"
	"io/fs"
	"math"
	"net/url"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/record"
)

// words are what templates say of times, counts and values. The convention, on every page: dates and times as ISO 8601-1 writes
// them, with a blank for the T and the offset of the zone, in this computer's zone; digits and the decimal point of a weight as
// they were recorded; counts in groups of three with a narrow blank (SI brochure, 5.4.4).
func words() template.FuncMap {
	return template.FuncMap{
		"asset": asset, "join": func(list []string) string { return strings.Join(list, " ") }, "at": at, "machine": machine, "count": count[uint64], "whole": count[int], "long": long,
		"since": func(t time.Time) string { return long(time.Since(t)) }, "quantity": quantity, "one": one[int],
		"clock": clockTime, "prose": prose, "id": url.PathEscape, "seconds": seconds, "learnt": learnt,
		"clockShape": clockShape, "clockWord": clockWord, "spanText": spanText, "ahead": ahead,
		"plus": func(s *float64) string { return plus(*s) }, "secondsOf": func(s *float64) string { return seconds(*s) },
		"json": asJSON, "pairOf": pairOf, "actor": actorName, "sinkKind": kindWord, "kindAbout": func(kind string) string { return kindAbout[kind] }, "sinkState": sinkState,
		"seen": isolated, "fine": fine, "there": there, "spaced": spacedWords, "identified": identified, "entries": entriesWords,
		"lines":   func(text string) []string { return strings.Split(text, "\n") },
		"verdict": verdictLook, "next": func(i int) int { return i + 1 },
		"chartsOf": chartsOf, "day": dayTime, "entryAddress": entryAddress,
	}
}

// asset is the address of a file that a page is made of. It is the one by which scripts import each other: a module that had two
// addresses would run twice. Whether it changed, its ETag says.
func asset(name string) (string, error) {
	if _, err := fs.Stat(files, "assets/"+name); err != nil {
		return "", fmt.Errorf("there is no file %s among the assets", name)
	}
	return "/assets/" + name, nil
}

func instant(t any) time.Time {
	switch t := t.(type) {
	case time.Time:
		return t
	case record.UTC:
		return time.Time(t)
	case *record.UTC:
		if t != nil {
			return time.Time(*t)
		}
	case *time.Time:
		if t != nil {
			return *t
		}
	}
	return time.Time{}
}

// dayTime writes a time to the minute, for a label that is read for weeks: 2026-11-25 10:04 +01:00.
func dayTime(t any) string {
	if instant(t).IsZero() {
		return "–"
	}
	return instant(t).Local().Format("2006-01-02 15:04 -07:00")
}

// at writes a time for people: 2026-11-25 10:04:05 +01:00.
func at(t any) string {
	if instant(t).IsZero() {
		return "–"
	}
	return instant(t).Local().Format("2006-01-02 15:04:05 -07:00")
}

// machine writes a time for the attribute datetime.
func machine(t any) string { return instant(t).UTC().Format(time.RFC3339Nano) }

// count writes a whole number in groups of three: 12 345.
func count[N uint64 | int](n N) string {
	s, sign := fmt.Sprint(n), ""
	if strings.HasPrefix(s, "-") {
		s, sign = s[1:], "−"
	}
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "\u202f" + s[i:]
	}
	return sign + s
}

// long writes a length of time roughly, in its largest unit: 3 min.
func long(d time.Duration) string {
	switch {
	case d < 0:
		return "0 s"
	case d < time.Minute:
		return strconv.Itoa(int(d/time.Second)) + " s"
	case d < time.Hour:
		return strconv.Itoa(int(d/time.Minute)) + " min"
	case d < 48*time.Hour:
		return strconv.Itoa(int(d/time.Hour)) + " h"
	}
	return strconv.Itoa(int(d/(24*time.Hour))) + " days"
}

// quantity is a value as one text: digits as printed, and the unit.
func quantity(v record.Value) string {
	if v.Range != "in" {
		return string(v.Range) + " range"
	}
	return v.Shown()
}

// one says "1 balance", "2 balances".
func one[N uint64 | int](n N, singular, plural string) string {
	if n == 1 {
		return "1 " + singular
	}
	return count(n) + " " + plural
}

// clockTime writes a moment of today by its time alone, as 10:04:05, and any other as at does. Where it is used, the page says the
// zone once.
func clockTime(t any) string {
	when := instant(t).Local()
	if when.IsZero() || when.Format(time.DateOnly) != time.Now().Format(time.DateOnly) {
		return at(t)
	}
	return when.Format(time.TimeOnly)
}

// piece is a piece of a sentence.
type piece struct {
	Text string
	Code bool // a command, or something else to be typed as it is
}

// prose splits a sentence at its backquotes, between which stand commands.
func prose(sentence string) (list []piece) {
	for i, part := range strings.Split(sentence, "`") {
		if part != "" {
			list = append(list, piece{part, i%2 == 1})
		}
	}
	return list
}

// seconds writes a length of time in seconds so that its size is seen at once: 1.250 s, 3.2 ms, 85 µs.
func seconds(s float64) string {
	sign := ""
	if s < 0 {
		sign = "−"
	}
	switch size := math.Abs(s); {
	case size >= 1:
		return sign + strconv.FormatFloat(size, 'f', 3, 64) + " s"
	case size >= 0.001:
		return sign + strconv.FormatFloat(size*1e3, 'f', 1, 64) + " ms"
	default:
		return sign + strconv.FormatFloat(size*1e6, 'f', 0, 64) + " µs"
	}
}

// spanText writes a length of time that an entry or a fact holds.
func spanText(v any) string {
	switch v := v.(type) {
	case record.Span:
		return seconds(time.Duration(v).Seconds())
	case *record.Span:
		return seconds(time.Duration(*v).Seconds())
	}
	return "not known"
}

// ahead says how far this computer's clock is from the stamps.
func ahead(s *float64) string {
	switch {
	case *s > 0:
		return "is " + seconds(*s) + " ahead of the stamps"
	case *s < 0:
		return "is " + seconds(-*s) + " behind the stamps"
	}
	return "is as the stamps are"
}
