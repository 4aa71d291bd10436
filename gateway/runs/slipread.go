package runs

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/decimal"
	"weighpost/parsers/unit"
)

// MostLate is how long after it was printed a slip is typed in at the latest: then nobody can be asked any more what it was.
const MostLate = 31 * 24 * time.Hour

// fast is how far ahead of this computer's clock a time may be that somebody gives: the clocks of two rooms differ.
const fast = time.Minute

// SlipTyped is a slip as somebody types it in.
type SlipTyped struct {
	Digits, Unit, Kind string // as printed; Kind "": unknown
	Weighed            string // RFC 3339
	Slip               string // the clock of the slip, YYYY-MM-DD HH:MM or with seconds; "": it prints none
	Sample, Lot        string
	Method             string
	Fields             map[string]string
	Reason             string
}

// ReadSlip makes of a slip what is to be recorded, but for who, where, and what the lab declares. zone is that of the clocks of balances. The
// error is a *record.NotDone that names the place of what cannot be taken: nothing is guessed.
func ReadSlip(s SlipTyped, now time.Time, zone *time.Location) (*record.LateEntered, error) {
	l := &record.LateEntered{Reason: s.Reason}
	if err := readValue(s, &l.Value); err != nil {
		return nil, err
	}
	at, err := time.Parse(time.RFC3339, s.Weighed)
	switch {
	case err != nil:
		return nil, wrong("weighed", "%.40q is no time such as 2026-11-30T10:04:00+01:00: say when it was weighed, with the zone", s.Weighed)
	case at.After(now.Add(fast)):
		return nil, wrong("weighed", "%s is in the future: say when it was weighed, by a clock that is right", record.UTC(at))
	case at.Before(now.Add(-MostLate)):
		return nil, wrong("weighed", "%s is more than %d days ago: slips are typed in sooner", record.UTC(at), int(MostLate.Hours()/24))
	}
	l.Weighed = record.UTC(at)
	if s.Slip != "" {
		if err := readClock(s.Slip, l, zone); err != nil {
			return nil, err
		}
	}
	if err := readTies(s, &l.Context); err != nil {
		return nil, err
	}
	return l, checkReason(s.Reason, true)
}

func wrong(field, format string, args ...any) error {
	return &record.NotDone{Why: fmt.Sprintf(format, args...), Field: field}
}

// kinds are those that a slip may say.
var kinds = []string{"gross", "net", "tare", "unknown"}

// readValue takes digits and unit as they are printed.
func readValue(s SlipTyped, v *record.Value) error {
	if strings.Contains(s.Digits, ",") {
		return wrong("digits", "%.40q has a comma, which is a decimal mark to some and a mark of thousands to others: type a point for the decimal mark, and no mark of thousands", s.Digits)
	}
	if _, err := decimal.Parse([]byte(s.Digits)); err != nil {
		return wrong("digits", "%.40q cannot be the digits of a slip: %v. Type every digit that is printed, the zeros at the end too", s.Digits, err)
	}
	u, known, several := unit.Printed([]byte(s.Unit))
	symbol := s.Unit
	if !known && len(several) == 0 {
		u, known = unit.ByCode(s.Unit) // the code is unambiguous, and nothing that a balance prints
		symbol = ""
	}
	switch {
	case len(several) > 0:
		return wrong("unit", "%.16q is read differently by different people: type the code of the unit that is meant (%s)", s.Unit, codes(several))
	case !known:
		return wrong("unit", "%.16q is no unit of mass that weighpost knows: type it as it is printed, such as g, mg or kg", s.Unit)
	case !u.IsMass() || u.Code == "":
		return wrong("unit", "%.16q is no unit of mass: only weights are typed in from slips", s.Unit)
	}
	kind := cmp.Or(s.Kind, "unknown")
	if !slices.Contains(kinds, kind) {
		return wrong("kind", "%.16q is none of %s", s.Kind, strings.Join(kinds, ", "))
	}
	*v = record.Value{Digits: s.Digits, Unit: u.Code, PrintedUnit: symbol, Kind: kind, Stability: "unknown", Range: "in"}
	return nil
}

func codes(list []unit.Unit) string {
	var all []string
	for _, u := range list {
		if u.IsMass() && u.Code != "" {
			all = append(all, u.Code)
		}
	}
	if len(all) == 0 {
		return "none of those that it may be can be recorded"
	}
	return strings.Join(all, ", ")
}

// readClock takes date and time as the slip has them, and how far they are from the time given.
func readClock(text string, l *record.LateEntered, zone *time.Location) error {
	for _, form := range []string{"2006-01-02 15:04:05", "2006-01-02 15:04"} {
		if at, err := time.ParseInLocation(form, text, zone); err == nil {
			l.Slip = text
			l.Apart = strconv.FormatInt(int64(at.Sub(l.Weighed.Time())/time.Second), 10)
			return nil
		}
	}
	return wrong("slip_clock", "%.40q is no date and time such as 2026-11-30 10:04 or 2026-11-30 10:04:05", text)
}

// readTies takes what the slip belongs to.
func readTies(s SlipTyped, c *record.Context) error {
	for _, one := range []struct {
		name, id string
		to       **record.Learnt
	}{{record.ItemSample, s.Sample, &c.Sample}, {record.ItemLot, s.Lot, &c.Lot}, {record.ItemMethod, s.Method, &c.Method}} {
		if one.id == "" {
			continue
		}
		if err := record.CheckContextID(one.id); err != nil {
			return wrong(one.name, "the %s %v", one.name, err)
		}
		*one.to = &record.Learnt{ID: one.id, By: record.ByTyped}
	}
	c.Fields = map[string]string{}
	for name, text := range s.Fields {
		err := record.CheckFieldName(name)
		if err == nil {
			err = record.CheckContextID(text)
		}
		if err != nil {
			return wrong("fields", "the field %.40q %v", name, err)
		}
		c.Fields[name] = text
	}
	if len(s.Fields) > mostFields {
		return wrong("fields", "%d fields are more than the %d that are taken", len(s.Fields), mostFields)
	}
	return nil
}

// apartSaid is from which difference on, in seconds, it is said that the slip's clock differs.
const apartSaid = 120

// ClockNote says in a sentence that the clock of a slip differs from the time given by more than two minutes, or "".
func ClockNote(l *record.LateEntered) string {
	s, err := strconv.ParseInt(l.Apart, 10, 64)
	if err != nil || max(s, -s) <= apartSaid {
		return ""
	}
	if s < 0 {
		return fmt.Sprintf("The slip's clock is %s behind the time given.", lasting(-s))
	}
	return fmt.Sprintf("The slip's clock is %s ahead of the time given.", lasting(s))
}

// lasting writes seconds as people say them: 61 min, 2 h 5 min, 3 days.
func lasting(s int64) string {
	minutes := (s + 30) / 60
	switch {
	case minutes < 120:
		return fmt.Sprintf("%d min", minutes)
	case minutes < 48*60:
		return fmt.Sprintf("%d h %d min", minutes/60, minutes%60)
	}
	return fmt.Sprintf("%d days", (s+43200)/86400)
}

// AlikeWithin is how close in time two weighings of the same digits have to be to be taken for one and the same.
const AlikeWithin = 2 * time.Minute

// SameDigits says whether two texts are the same digits: a plus sign in front makes no difference.
func SameDigits(a, b string) bool {
	x, errX := decimal.Parse([]byte(a))
	y, errY := decimal.Parse([]byte(b))
	return errors.Join(errX, errY) == nil && x.WithoutPlus() == y.WithoutPlus()
}
