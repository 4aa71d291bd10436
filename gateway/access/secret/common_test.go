package secret

import "time"

const minute = time.Minute

// at is so many minutes after some moment.
func at(minutes int) time.Time {
	return time.Unix(1_800_000_000, 0).Add(time.Duration(minutes) * minute)
}
