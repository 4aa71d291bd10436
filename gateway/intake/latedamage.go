package intake

import (
	"fmt"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/port"
)

// A device server (RFC 2217) says that a byte was damaged, and neither which nor at once: some look at their line once a second.
// What is still to come is marked by the port. What was recorded just before cannot be taken back; a person is told to compare
// it.

// lateReport is how long before a report the byte may have come that it is about.
const lateReport = 3 * time.Second

// lateDamage is of reports that came behind their byte.
type lateDamage struct {
	recorded time.Time // when the last weighing's frame came
	at       time.Time // of the report that a condition stands for; zero for none
}

var _ port.Damager = (*Intake)(nil)

// Damage is called for a report without a byte.
func (in *Intake) Damage(at time.Time) {
	in.mu.Lock()
	defer in.mu.Unlock()
	if in.splitter.Pending() > 0 { // the frame that has begun may be the one
		in.damage.note(in.received-1, port.Arrival{At: at, Damaged: []int{0}})
	}
	in.damagedBefore(at)
}

// damagedBefore says that one of the bytes before a time was damaged.
func (in *Intake) damagedBefore(at time.Time) {
	late := &in.late
	ago := at.Sub(late.recorded)
	if late.recorded.IsZero() || ago > lateReport {
		return
	}
	late.at = at
	in.board.Raise(health.Condition{
		Code: health.LateDamage, Subject: in.about.ID, Severity: health.Warning,
		Sentence: fmt.Sprintf("The device server of balance %s reported a parity or framing error, a lost byte or a break %.1f s after a weighing was recorded, and does not say which byte it was: what was recorded in the %g s before %s UTC may be wrong.",
			in.about.ID, ago.Seconds(), lateReport.Seconds(), at.UTC().Format("15:04:05")),
		Remedy: "Compare these weighings with the balance's display or print-out, and weigh again in case of doubt. See cable and plugs; a check byte in the balance's lines would find such damage for certain.",
	})
}

// lateForgotten takes the condition back after a time without another report.
func (in *Intake) lateForgotten() {
	if !in.late.at.IsZero() && in.arrived.Sub(in.late.at) > breakSpan {
		in.late.at = time.Time{}
		in.board.Clear(health.LateDamage, in.about.ID)
	}
}
