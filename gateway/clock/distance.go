package clock

import (
	"math/bits"
	"time"

	"github.com/beevik/ntp"
)

const (
	// minDelay is MINDISP of RFC 5905 section 7.2: no round trip counts as shorter. (Its appendix A.1.1 has twice as much.)
	minDelay = 5 * time.Millisecond
	// maxDistance is MAXDIST of RFC 5905 section 7.2: a server further away than this is unfit (appendix A.5.5.3).
	maxDistance = time.Second
	// finePrecision is how finely the clocks of Unix systems are read.
	finePrecision = 2 * time.Microsecond
	// shortRounding is what root delay and root dispersion lose in the short format (RFC 5905 section 6): a unit each.
	shortRounding = 2 * 15259 * time.Nanosecond
)

// sample is one usable answer of one server.
type sample struct {
	offset     time.Duration // UTC less the raw clock's reading
	delay      time.Duration // of the round trip, at least our own precision
	root       time.Duration // root delay: from the server to its reference
	dispersion time.Duration // root dispersion and that of this exchange
	at         time.Duration // raw clock when the answer came
	asleep     time.Duration // Reading.Asleep then
	leap       bool          // a leap second is announced for the end of the month
}

// offsetDelay gives the offset of the server's clock from ours and the delay of the round trip, from the four times of an
// exchange: ours at sending, the server's at receipt and at sending, ours at receipt (RFC 5905 section 8, theta and delta).
// The delay is negative where a clock is coarser than the path is short, or where a server lies.
func offsetDelay(t1, t2, t3, t4 time.Time) (offset, delay time.Duration) {
	return (t2.Sub(t1) + t3.Sub(t4)) / 2, t4.Sub(t1) - t3.Sub(t2)
}

// rootDistance is the largest error of a server's time as seen from here, after the answer has aged (RFC 5905 appendix
// A.5.5.2, root_dist). ppm is by how many millionths the local clock may drift meanwhile; the RFC has 15 for PHI.
func rootDistance(least, root, delay, dispersion, age, jitter time.Duration, ppm int64) time.Duration {
	return max(least, root+delay)/2 + dispersion + drifted(age, ppm) + jitter
}

// distance is the root distance of a sample at a reading of the raw clock. A single exchange has no jitter.
func (s *sample) distance(raw time.Duration, ppm int64) time.Duration {
	return rootDistance(minDelay, s.root, s.delay, s.dispersion, max(raw-s.at, 0), 0, ppm)
}

// interval is where UTC less the raw clock lies according to the sample, at a reading of the raw clock.
func (s *sample) interval(raw time.Duration, ppm int64) interval {
	d := s.distance(raw, ppm)
	return interval{int64(s.offset - d), int64(s.offset + d)}
}

// drifted is by how much a clock may go wrong in a length of time, either way, rounded up.
func drifted(d time.Duration, ppm int64) time.Duration {
	hi, lo := bits.Mul64(uint64(d.Abs()), uint64(ppm))
	lo, carry := bits.Add64(lo, 999_999, 0)
	ns, _ := bits.Div64(hi+carry, lo, 1_000_000) // ppm below a million: the quotient fits
	return time.Duration(ns)
}

// measure makes a sample of an answer that has passed every other judgement; precision is how finely our clock is read. A negative delay that the precision and the
// drift of the two clocks explain is clamped to our precision (RFC 5905 section 8); one beyond that is no measurement.
func measure(r *ntp.Response, ppm int64, precision time.Duration) (sample, bool) {
	t := r.Timestamps
	offset, delay := offsetDelay(t.ClientXmit, t.ServerRecv, t.ServerXmit, t.ClientRecv)
	noise := min(max(r.Precision, 0), maxDistance) + precision + drifted(t.ClientRecv.Sub(t.ClientXmit), ppm)
	if delay < -noise {
		return sample{}, false
	}
	return sample{
		offset: offset, delay: max(delay, precision), root: r.RootDelay, dispersion: r.RootDispersion + noise + shortRounding,
		at: time.Duration(t.ClientRecv.UnixNano()), leap: r.Leap == ntp.LeapAddSecond || r.Leap == ntp.LeapDelSecond,
	}, true
}
