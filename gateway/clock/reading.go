package clock

import "time"

// Reading is one look at the computer's clocks, all within Slack.
type Reading struct {
	Now    time.Time     // the Go runtime's clock, with its monotonic reading
	Wall   time.Time     // the system's clock, without
	Raw    time.Duration // the raw monotonic clock, since some instant
	Asleep time.Duration // how long the computer has slept since some instant
	Slack  time.Duration // how far apart the readings may have been taken, at most
}

// ticker is where readings come from.
type ticker struct {
	read func() Reading
	raw  func() time.Duration // Reading.Raw alone
	name string               // for people: which clock it is
	// precision is how finely the raw clock is read.
	precision time.Duration
	// slewed says that the system may run Go's monotonic clock faster or slower than the raw one.
	slewed bool
	// guessed says that a sleep cannot be told from a step of the system's clock, and that Asleep is their sum.
	guessed bool
	// extraPPM is added to the declared drift, for a clock that is not raw.
	extraPPM int64
}

// sleepSlack is how much Asleep may change without meaning anything.
const sleepSlack = time.Millisecond

// slept is how long the computer slept between two readings; 0 if what differs can be the reading itself.
func slept(from, to time.Duration, slack time.Duration) time.Duration {
	d := to - from
	if d < sleepSlack+slack && d > -sleepSlack-slack {
		return 0
	}
	return d
}
