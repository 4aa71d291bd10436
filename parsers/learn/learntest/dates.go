package learntest

import (
	"strings"
	"time"
)

// dateStyle is how a balance prints dates and times.
type dateStyle struct {
	order  string // of 'd', 'm' and 'y'
	sep    string
	short  bool // years of two digits
	months []string
	clock  string // a layout of package time
}

func commonDate(d dice) dateStyle {
	s := dateStyle{sep: one(d, ".", "/", "-", "."), order: shared(d, []share[string]{{50, "dmy"}, {20, "mdy"}, {30, "ymd"}})}
	if s.order == "ymd" {
		s.sep = one(d, "-", "-", "/", ".")
	}
	s.short = d.in100(25)
	if d.in100(12) && s.order != "ymd" {
		s.months = monthNames[one(d, "en", "de", "EN")]
		s.sep = one(d, "-", ".", " ")
	}
	s.clock = shared(d, []share[string]{{70, "15:04:05"}, {18, "15:04"}, {4, "15.04.05"}, {4, "03:04:05 PM"}, {4, "15h04"}})
	return s
}

// date prints a day.
func (s dateStyle) date(t time.Time) string {
	var out []string
	for _, what := range s.order {
		switch {
		case what == 'd':
			out = append(out, t.Format("02"))
		case what == 'm' && s.months != nil:
			out = append(out, s.months[t.Month()-1])
		case what == 'm':
			out = append(out, t.Format("01"))
		case s.short:
			out = append(out, t.Format("06"))
		default:
			out = append(out, t.Format("2006"))
		}
	}
	return strings.Join(out, s.sep)
}

// tells says whether days printed like this show their order: one above 12 in some place, a name, or four digits of a
// year in front, which nobody prints before the day. A short year could be taken for a day, so that it tells nothing.
func (s dateStyle) tells(days []time.Time) bool {
	if s.short {
		return false
	}
	if s.months != nil || s.order == "ymd" {
		return true
	}
	for _, t := range days {
		if t.Day() > 12 {
			return true
		}
	}
	return false
}
