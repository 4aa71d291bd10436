package clock

import (
	"fmt"
	"time"

	"weighpost/gateway/record"
)

// leastStep is the smallest step of the system's clock that is worth an entry.
const leastStep = 10 * time.Millisecond

// Step is a jump of the computer's clock or of the stamps.
type Step struct {
	At     record.UTC `json:"at"`
	Clock  Seconds    `json:"clock_s"`  // by how much the computer's clock was set forward; 0 where it was not
	Stamps Seconds    `json:"stamps_s"` // by how much the stamps moved forward; 0 where they did not
	Why    string     `json:"why"`
}

// look is what happens once a tick: it notices sleeps, steps, and that the bound has passed the ceiling.
func (c *Clock) look(r Reading) {
	c.mu.Lock()
	c.recent.Store(&r)
	c.past.Store(c.ticked)
	c.ticked = &r
	c.noticeSleep(&r)
	c.noticeStep(&r)
	c.goOn(&r)
	c.review(&r)
	want := c.conditions(&r)
	c.mu.Unlock()
	c.shown.show(c.board, want)
}

// noticeSleep sees that the computer slept since the last look. The servers are asked again at once, and what they said
// before counts no more.
func (c *Clock) noticeSleep(r *Reading) {
	gone := slept(c.base.Asleep, r.Asleep, c.base.Slack+r.Slack)
	if gone == 0 {
		return
	}
	why := fmt.Sprintf("The computer slept for %s.", spoken(gone))
	step := Step{Why: why}
	if c.ticker.guessed {
		why = fmt.Sprintf("The computer slept, or its clock was set, by %s.", signed(gone)+" s")
		step = Step{Why: why, Clock: Seconds(gone)}
	}
	c.base = *r
	for _, s := range c.servers {
		if s.sample != nil {
			s.forget()
		}
	}
	c.schedule.hurry(r.Now)
	c.drift.anew()
	if c.anchor.Load() == nil {
		c.anew(r, true)
		c.jumped(r, step, why)
		return
	}
	after := *c.anchor.Load()
	after.sleeps, after.noticed = after.sleeps+1, r.Asleep
	c.anchor.Store(&after)
	c.jumped(r, step, why+" Its length was added to the time, which says holdover until the time servers agree again.")
}

// noticeStep sees that the system's clock was set since the last look.
func (c *Clock) noticeStep(r *Reading) {
	step := r.Wall.Sub(c.base.Wall) - r.Now.Sub(c.base.Now) - (r.Asleep - c.base.Asleep)
	if step.Abs() < leastStep+c.base.Slack+r.Slack {
		return
	}
	c.base = *r
	why := fmt.Sprintf("The computer's clock was set %s by %s s.", direction(step), signed(step)[1:])
	if c.anchor.Load() == nil {
		c.anew(r, false)
		c.jumped(r, Step{Clock: Seconds(step), Stamps: Seconds(step), Why: why}, why+" Stamps are unchecked and follow it.")
		return
	}
	c.jumped(r, Step{Clock: Seconds(step), Why: why}, why+" Stamps do not follow it.")
}

func direction(step time.Duration) string {
	if step < 0 {
		return "back"
	}
	return "forward"
}

// jumped notes a step or a sleep: as the last one, in the log, and as an entry within the ration.
func (c *Clock) jumped(r *Reading, step Step, why string) {
	state := c.current(r).state
	more, ok := c.ration.take(r.Now)
	from := c.state
	c.turn(r, state, why)
	step.At = c.stamp(r.Now, r.Wall).UTC
	c.step = &step
	c.log.Warn("the computer's clock jumped", "what", step.Why, "clock", state)
	if !ok && from == state {
		return
	}
	if more > 0 {
		why += fmt.Sprintf(" %d more steps or sleeps came within the last hour and are not noted one by one.", more)
	}
	c.note(r, from, why, step.Stamps.D())
}

// review notices a change of state that time alone has brought.
func (c *Clock) review(r *Reading) {
	at := c.current(r)
	if at.state == c.state {
		return
	}
	why := fmt.Sprintf("The bound of %s s has passed the ceiling of %s: %s.", signed(at.bound)[1:], c.cfg.Ceiling, c.reason())
	if at.leapt {
		why = "A leap second was announced for the end of the month, and the time servers have not agreed since."
	}
	if at.state == record.ClockChecked { // the ceiling was raised
		why = "The bound is within the ceiling."
	}
	from := c.state
	c.turn(r, at.state, why)
	c.note(r, from, why, 0)
}

// current is the state at a reading.
func (c *Clock) current(r *Reading) instant {
	if a := c.anchor.Load(); a != nil {
		return a.now(r, c.ticker.guessed)
	}
	return instant{utc: r.Wall, state: record.ClockUnchecked}
}

// turn sets the state.
func (c *Clock) turn(r *Reading, state, why string) {
	if state == c.state {
		return
	}
	c.log.Info("the clock's state changed", "from", c.state, "to", state, "why", why)
	c.state, c.since, c.why = state, record.UTC(c.current(r).utc.UTC().Truncate(time.Microsecond)), why
}

// note makes an entry: what the state was, what it is now and why, and by how much the stamps stepped.
func (c *Clock) note(r *Reading, from, why string, step time.Duration) {
	e := &record.ClockChange{From: from, State: c.state, Why: why, Stamp: c.stamp(r.Now, r.Wall)}
	if step.Abs() >= time.Microsecond {
		e.Step = signed(step)
	}
	for _, s := range c.servers {
		if s.asked {
			e.Servers = append(e.Servers, s.record())
		}
	}
	c.book.put(e)
}

// ration keeps a clock that is set all the time from filling the disk.
type ration struct {
	begun time.Time
	taken int
	more  int
}

const perHour = 10

// take says whether one more may be noted, and how many were not since the hour before ended.
func (n *ration) take(now time.Time) (more int, ok bool) {
	if n.begun.IsZero() || now.Sub(n.begun) >= time.Hour {
		more = n.more
		*n = ration{begun: now}
	}
	if n.taken >= perHour {
		n.more++
		return 0, false
	}
	n.taken++
	return more, true
}
