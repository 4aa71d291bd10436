package clock

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/record"
)

// judge takes the answers of one round: it finds who agrees, and anchors the time on it.
func (c *Clock) judge(r Reading, answers []answer) {
	c.mu.Lock()
	c.recent.Store(&r)
	c.noticeSleep(&r)
	for _, a := range c.distinct(answers) {
		c.hear(&r, a)
	}
	intervals, whose := c.intervals(&r)
	most, ok := agree(len(c.servers), intervals)
	c.decide(most, ok, intervals, whose)
	if ok {
		c.failed, c.agreed = 0, &r
		c.accept(&r, most, whose)
		c.agreedNow(&r)
	} else {
		c.failed++
		if c.state == record.ClockUnchecked {
			c.why = "The time was not checked since the start: " + c.reason() + "."
		}
	}
	c.review(&r)
	c.schedule.after(r.Now, ok, c.cfg, c.longest(&r))
	want := c.conditions(&r)
	c.mu.Unlock()
	c.shown.show(c.board, want)
}

// distinct refuses what one computer said under two names: it must not count twice.
func (c *Clock) distinct(answers []answer) []answer {
	for i := range answers {
		a := &answers[i]
		if j := slices.IndexFunc(answers[:i], func(o answer) bool { return o.peer == a.peer && o.verdict == "" }); j >= 0 && a.peer != "" && a.verdict == "" {
			a.verdict, a.why = Refused, "it is the same computer as "+answers[j].server
		}
	}
	return answers
}

// intervals lists what the usable answers say now, and whose they are. The last answer of a server that asked to be left
// alone still counts; it has only aged.
func (c *Clock) intervals(r *Reading) (list []interval, whose []*server) {
	sys := time.Duration(r.Wall.UnixNano()) - r.Raw
	for _, s := range c.servers {
		if s.sample == nil {
			continue
		}
		if slept(s.sample.asleep, r.Asleep, r.Slack) != 0 {
			s.forget()
			continue
		}
		offset := s.sample.offset - sys
		s.offset, s.distance = &offset, s.sample.distance(r.Raw, c.ppm(c.cfg))
		list, whose = append(list, s.sample.interval(r.Raw, c.ppm(c.cfg))), append(whose, s)
	}
	return list, whose
}

// decide gives each server that answered its verdict.
func (c *Clock) decide(most agreement, ok bool, intervals []interval, whose []*server) {
	for i, s := range whose {
		was := s.verdict
		switch {
		case !ok:
			s.verdict, s.why = Undecided, "too few servers answer, or they do not agree"
		case intervals[i].covers(most.most):
			s.verdict, s.why = Agreeing, ""
		default:
			off := time.Duration(intervals[i].low/2+intervals[i].high/2-most.mid) / time.Microsecond * time.Microsecond
			s.verdict = Falseticker
			s.why = fmt.Sprintf("%d servers agree on a time that is %s s from its own, and it claims to be right within %s s",
				most.count, signed(-off), signed(s.distance)[1:])
			if was != Falseticker {
				c.log.Warn("a time server is a falseticker", "server", s.address, "why", s.why)
			}
		}
	}
}

// accept makes what a majority agrees on the anchor, or keeps the one there is, if that is narrower and agrees.
func (c *Clock) accept(r *Reading, most agreement, whose []*server) {
	a := &anchor{
		raw: r.Raw, offset: most.mid, half: most.half, asleep: r.Asleep, leap: never,
		ppm: c.ppm(c.cfg), ceiling: c.cfg.Ceiling.D(), sources: most.count,
	}
	if slices.ContainsFunc(whose, func(s *server) bool { return s.verdict == Agreeing && s.sample.leap }) {
		a.leap = monthEnd(time.Unix(0, most.mid+int64(r.Raw)))
	}
	old, was := c.anchor.Load(), c.current(r)
	step := time.Unix(0, most.mid+int64(r.Raw)).Sub(was.utc)
	switch {
	case old == nil:
		wrong := c.correctUnchecked(r, a)
		c.drift.see(a)
		c.replace(r, a, fmt.Sprintf("%d of %d time servers agree. The stamps before were those of the computer's own clock, which is %s s %s.",
			most.count, len(c.servers), signed(step)[1:], behindOrAhead(step)), step)
		c.noteWrong(r, wrong...)
	case step.Abs() > most.half+was.bound:
		wrong := c.correctContradicted(was, step, most.half)
		c.drift.contradict(a)
		c.corrected = r.Now
		c.said = fmt.Sprintf("The stamps were wrong: %d of %d time servers agree on a time %s s from that of the stamps, which claimed to be "+
			"right within %s s. Stamps follow the servers now.", most.count, len(c.servers), signed(step), signed(was.bound)[1:])
		c.replace(r, a, c.said, step)
		if wrong != nil {
			c.noteWrong(r, wrong)
		}
	case was.state == record.ClockChecked && was.bound < most.half:
		b := *old
		b.sources, b.leap = a.sources, a.leap
		c.anchor.Store(&b)
	default:
		c.drift.see(a)
		c.replace(r, a, fmt.Sprintf("%d of %d time servers agree.", most.count, len(c.servers)), step)
	}
}

// replace anchors the time anew, and notes it where the state changes or the stamps were wrong.
func (c *Clock) replace(r *Reading, a *anchor, why string, step time.Duration) {
	from, wrong := c.state, c.anchor.Load() != nil && c.corrected.Equal(r.Now)
	c.anchor.Store(a)
	at := c.current(r)
	if at.state == record.ClockHoldover {
		why += fmt.Sprintf(" The bound is %s s all the same, more than the ceiling of %s.", signed(at.bound)[1:], c.cfg.Ceiling)
	}
	c.turn(r, at.state, why)
	if from == at.state && !wrong {
		return
	}
	c.note(r, from, why, step)
	if wrong || from == record.ClockUnchecked {
		c.step = &Step{At: c.stamp(r.Now, r.Wall).UTC, Stamps: Seconds(step), Why: why}
	}
}

func behindOrAhead(step time.Duration) string {
	if step < 0 {
		return "ahead"
	}
	return "behind"
}

// longest is how long the next question may wait without the bound coming past the middle between its present value and the
// ceiling.
func (c *Clock) longest(r *Reading) time.Duration {
	at := c.current(r)
	room := (c.cfg.Ceiling.D() - at.bound) / 2
	if room <= 0 {
		return 0
	}
	return room / time.Duration(c.ppm(c.cfg)) * 1_000_000
}

// reason says in a clause why there is no agreement.
func (c *Clock) reason() string {
	if len(c.servers) == 0 {
		return "no time server is configured"
	}
	if len(c.servers) == 1 {
		return c.servers[0].address + ": " + c.servers[0].why
	}
	var list []string
	for _, s := range c.servers {
		switch s.verdict {
		case Undecided:
			list = append(list, fmt.Sprintf("%s answers, %s s from the computer's clock", s.address, signed(*s.offset)))
		case Agreeing, Falseticker: // as of a round before
		default:
			list = append(list, s.address+": "+s.why)
		}
	}
	if len(list) == 0 {
		return "the time servers have not agreed since"
	}
	return fmt.Sprintf("of %d time servers at least %d must answer and most of them agree (%s)", len(c.servers), max(liars(len(c.servers))+1, 2), strings.Join(list, "; "))
}
