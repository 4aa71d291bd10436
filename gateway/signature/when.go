package signature

import "weighpost/gateway/record"

// When is the date and time of a stamp by the clocks of its place, with their offset (21 CFR 11.50(a)(2)): 2026-11-30 10:04:05 +01:00. Where
// the offset cannot be read it is UTC, and says so.
func When(s record.Stamp) string {
	at, _ := s.There()
	return at.Format("2006-01-02 15:04:05 -07:00")
}

// Placed adds the name of the time zone to what When says, where that is known.
func Placed(when, zone string) string {
	if zone == "" {
		return when
	}
	return when + " (" + zone + ")"
}

// Shown is a signature as every readable form shows it: name, date and time with zone, meaning (21 CFR 11.50(b)).
func Shown(s *record.Signature) string {
	return s.Meaning + " by " + s.Name + " (" + or(s.Role, "no role") + ") on " + Placed(When(s.Stamp), s.Zone)
}
