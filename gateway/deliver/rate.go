package deliver

import "time"

const (
	rateSlot  = 10 * time.Second
	rateSlots = 30
)

// rate counts what was delivered in the last five minutes, in pieces of ten seconds.
type rate struct {
	since time.Time // when counting began
	slots [rateSlots]struct {
		of    int64 // which piece of time
		count uint64
	}
}

func (r *rate) add(n uint64, now time.Time) {
	of := int64(now.Sub(r.since) / rateSlot)
	s := &r.slots[of%rateSlots]
	if s.of != of {
		s.of, s.count = of, 0
	}
	s.count += n
}

// perMinute is how many a minute there were, since counting began if that is less than five minutes ago.
func (r *rate) perMinute(now time.Time) float64 {
	of, sum := int64(now.Sub(r.since)/rateSlot), uint64(0)
	for _, s := range r.slots {
		if s.of > of-rateSlots {
			sum += s.count
		}
	}
	over := min(now.Sub(r.since), rateSlot*(rateSlots-1)+now.Sub(r.since)%rateSlot)
	return float64(sum) / max(over, rateSlot).Minutes()
}
