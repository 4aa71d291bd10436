package clock

import (
	"fmt"
	"net"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
)

const (
	uncheckedYet = "The time servers have not been heard yet."
	noServers    = "No time server is configured: every stamp is this computer's own clock, and unchecked."
)

// From when on something is worth a condition, and how long what is over stays worth one.
const (
	missedRounds = 3           // of one server while the others agree, or of all of them
	farOff       = time.Second // of the computer's clock from the stamps
	remembered   = time.Hour   // that the servers contradicted the stamps
	fewServers   = 3           // with fewer nobody can tell which one lies
)

// subject is that of conditions that are about no server.
const subject = "clock"

const (
	openThePort = "See that UDP port 123 is open to the time servers and that they run, or name others under clock: servers."
	nameThree   = "Name three or more of different origin under clock: servers."
)

// shown is what stands on the board because of the clock.
type shown map[health.Ref]bool

// show puts exactly these conditions on the board.
func (s *shown) show(board *health.Board, want []health.Condition) {
	next := shown{}
	for _, w := range want {
		next[w.Ref()] = true
		board.Raise(w)
	}
	for k := range *s {
		if !next[k] {
			board.Clear(k.Code, k.Subject)
		}
	}
	*s = next
}

// conditions lists what is wrong with the clock now. Their words change with rounds and states and not with every second.
func (c *Clock) conditions(r *Reading) []health.Condition {
	list := c.serverConditions()
	for _, one := range []*health.Condition{c.stateCondition(), c.computerCondition(r)} {
		if one != nil {
			list = append(list, *one)
		}
	}
	if n := len(c.servers); n > 0 && n < fewServers {
		list = append(list, health.Condition{
			Code: health.ClockFewServers, Subject: subject, Severity: health.Notice,
			Sentence: fmt.Sprintf("Only %d of the three time servers or more that it takes to find a wrong one are configured.", n), Remedy: nameThree,
		})
	}
	if c.drift.ppm.exceeds(c.ppm(c.cfg)) {
		list = append(list, health.Condition{
			Code: health.ClockDrift, Subject: subject, Severity: health.Warning,
			Sentence: fmt.Sprintf("This computer's raw clock drifts by %.0f ppm, and %d ppm are reckoned with: the bounds of stamps are too small.",
				c.drift.ppm.PPM, c.ppm(c.cfg)),
			Remedy: "Declare more under clock: drift_ppm. On a virtual machine, see how its clock is kept.",
		})
	}
	if !c.corrected.IsZero() && r.Now.Sub(c.corrected) < remembered {
		list = append(list, health.Condition{
			Code: health.ClockCorrected, Subject: subject, Severity: health.Warning, Sentence: c.said,
			Remedy: "Judge the weighings before it: the entry clock-changed has the time. The usual causes are a virtual machine that was frozen, " +
				"a clock that drifts more than declared, and a majority of time servers that is wrong.",
		})
	}
	return list
}

// stateCondition is what is wrong with the clock as a whole, or nil. That no server is configured is a choice: the stamps say
// what comes of it.
func (c *Clock) stateCondition() *health.Condition {
	answers := 0
	for _, s := range c.servers {
		if s.verdict == Undecided {
			answers++
		}
	}
	const until = " Stamps stay checked until their bound has grown to the ceiling."
	switch {
	case c.state == record.ClockUnchecked && c.failed > 0:
		return &health.Condition{
			Code: health.ClockUnchecked, Subject: subject, Severity: health.Warning,
			Sentence: c.why + " Stamps are this computer's own clock.", Remedy: openThePort, From: c.through(),
		}
	case c.state == record.ClockHoldover:
		return &health.Condition{
			Code: health.ClockHoldover, Subject: subject, Severity: health.Warning,
			Sentence: c.why + " Stamps go on with a bound that grows.", Remedy: openThePort, From: c.through(),
		}
	case c.failed > 0 && answers > 1:
		return &health.Condition{
			Code: health.ClockNoAgreement, Subject: subject, Severity: health.Warning,
			Sentence: "The time servers contradict each other: " + c.reason() + "." + until,
			Remedy:   "See which of the servers is wrong. " + nameThree,
		}
	case c.failed >= missedRounds:
		return &health.Condition{
			Code: health.ClockNoAgreement, Subject: subject, Severity: health.Notice,
			Sentence: "The time servers are not heard: " + c.reason() + "." + until, Remedy: openThePort, From: c.through(),
		}
	}
	return nil
}

// through is what it may come from that no server is heard.
func (c *Clock) through() []health.Ref {
	for _, s := range c.servers {
		host, _, err := net.SplitHostPort(address(s.address))
		if from := health.Through(host); err == nil && from != nil && s.verdict == Silent {
			return from
		}
	}
	return nil
}

// serverConditions names single servers, while a majority agrees: otherwise the one condition on the state names them all.
func (c *Clock) serverConditions() (list []health.Condition) {
	if c.failed > 0 {
		return nil
	}
	for _, s := range c.servers {
		switch {
		case s.verdict == Falseticker:
			list = append(list, health.Condition{
				Code: health.ClockFalseticker, Subject: s.address, Severity: health.Warning,
				Sentence: fmt.Sprintf("The time server %s is a falseticker: %s.", s.address, s.why),
				Remedy:   "Stamps do not use it. Have it mended, or name another under clock: servers.",
			})
		case s.missed >= missedRounds:
			list = append(list, health.Condition{
				Code: health.ClockServerUseless, Subject: s.address, Severity: health.Notice,
				Sentence: fmt.Sprintf("The time server %s is of no use now: %s.", s.address, s.why),
				Remedy:   "The others suffice for now. Have it mended, or name another under clock: servers.",
			})
		}
	}
	return list
}

// computerCondition says that the computer's own clock is wrong, which stamps do not mind and log files do.
func (c *Clock) computerCondition(r *Reading) *health.Condition {
	if c.state != record.ClockChecked {
		return nil
	}
	ahead, least := r.Wall.Sub(c.current(r).utc), farOff
	if c.shown[health.Ref{Code: health.ComputerClockOff, Subject: subject}] {
		least /= 2
	}
	if ahead.Abs() < least {
		return nil
	}
	return &health.Condition{
		Code: health.ComputerClockOff, Subject: subject, Severity: health.Notice,
		Sentence: fmt.Sprintf("This computer's own clock is %s %s. Stamps do not follow it; dates of files and of the log do.",
			spoken(ahead.Abs()), behindOrAhead(-ahead)),
		Remedy: "Have a time daemon such as chrony set the computer's clock.",
	}
}
