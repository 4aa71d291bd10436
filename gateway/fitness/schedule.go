package fitness

import (
	"maps"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/record"
)

// Due is when a check of a balance is due.
type Due struct {
	Check   string
	At      time.Time // due from here on; in the past: it is due
	Overdue time.Time // overdue from here on
	Last    time.Time // when it passed last; zero: never
	Because string    // what made it due out of turn: "move", …
}

// passing says whether an outcome counts as passed: a warning does, and says so.
func passing(outcome string) bool {
	return outcome == record.CheckPassed || outcome == record.CheckWarned
}

// due works out when a scheduled check is due: from the start of the day that follows its last pass by the interval, in the site's time
// zone; at once where it never passed, or where something was done to the balance since that the schedule names.
func (f *file) due(s Scheduled, began time.Time, zone *time.Location) Due {
	d := Due{Check: s.Check, Last: f.Passed[s.Check].Time()}
	add, ok := interval(s.Every)
	switch {
	case !ok: // a configuration that was not validated: nothing is due
		return d
	case d.Last.IsZero():
		d.At = f.neverPassed(s.Check, began)
	default:
		local := d.Last.In(zone)
		d.At = dayBegins(add(time.Date(local.Year(), local.Month(), local.Day(), 12, 0, 0, 0, zone)), zone)
	}
	for _, act := range s.After {
		at := f.Acts[act].Time()
		if f.ActSeqs[act] <= f.Good[s.Check].Seq || at.IsZero() || f.ActLeft[act] == s.Check {
			continue // the check passed since, by the order of the entries, as clocks may have been set meanwhile; or it is the one as left
		}
		if at.After(d.At) && !d.Last.IsZero() {
			at = d.Last // the clock was ahead when it was done
		}
		if at.Before(d.At) {
			d.At, d.Because = at, act
		}
	}
	d.Overdue = d.At.Add(s.Grace.D())
	if s.BeforeUse {
		d.Overdue = d.At
	}
	return d
}

// neverPassed is since when a check is due that never passed: since it was first said to be due, whatever starts there were between.
func (f *file) neverPassed(check string, began time.Time) time.Time {
	if first := f.Reminded[check+" due"].Time(); !first.IsZero() {
		return first
	}
	return began
}

// dayBegins is the first moment of a time's day. There are zones whose clocks jump over midnight: their day begins at one.
func dayBegins(t time.Time, zone *time.Location) time.Time {
	year, month, day := t.In(zone).Date()
	begins := time.Date(year, month, day, 0, 0, 0, 0, zone)
	for range 4 {
		if begins.Day() == day {
			break
		}
		begins = begins.Add(30 * time.Minute)
	}
	return begins
}

// clockLeeway is by how much a clock may be set back before a check that passed is taken to be of a time that has not come.
const clockLeeway = time.Hour

// stateOf is the state that a balance should be in, with the cause of the change where it is another than now.
func (f *file) stateOf(cfg Config, began, now time.Time, zone *time.Location) (state, cause, reason string) {
	switch {
	case f.Running != nil:
		return record.InCheck, record.ByCheckBegun, ""
	case len(f.Failed) > 0:
		return record.OutOfService, record.ByCheckFailed, "failed: " + strings.Join(slices.Sorted(maps.Keys(f.Failed)), ", ")
	case f.TakenOut != "":
		return record.OutOfService, record.ByPerson, f.TakenOut
	}
	if len(cfg.Checks) == 0 {
		if len(f.Passed) > 0 {
			return record.InService, record.BySchedule, ""
		}
		return record.FitnessUnknown, record.BySchedule, ""
	}
	state = record.InService
	for _, s := range cfg.Checks {
		d := f.due(s, began, zone)
		switch {
		case d.Last.After(now.Add(clockLeeway)):
			why := s.Check + " passed at a time that has not come yet: the clock was ahead, or is behind"
			switch { // nobody knows when it was: it is as good as never, and there is nothing to wait for
			case cfg.Overdue == OutsideLimits:
				return record.OutOfService, record.BySchedule, why
			case s.BeforeUse:
				state, reason = record.CheckOverdue, why
			case state == record.InService:
				state, reason = record.CheckDue, why
			}
		case d.At.IsZero() || now.Before(d.At):
		case now.Before(d.Overdue):
			if state == record.InService {
				state, reason = record.CheckDue, s.Check
			}
		case cfg.Overdue == OutsideLimits:
			return record.OutOfService, record.BySchedule, s.Check + " is overdue"
		default:
			state, reason = record.CheckOverdue, s.Check
		}
	}
	return state, record.BySchedule, reason
}
