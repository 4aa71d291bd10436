package intake

import (
	"math/big"
	"time"

	"weighpost/parsers/layout"
	"weighpost/parsers/unit"
)

// maxRun bounds what one run of agreeing frames holds in memory, whatever the speed of the stream.
const maxRun = 1024

// settling finds the moment at which a continuous stream has come to rest on a load: a run of consecutive frames that
// agree within a band, for long enough, away from zero, and away from what was recorded last. It knows no clock: feed is
// given the time of each frame.
//
// A frame that the balance itself flags as unstable never belongs to a run. Frames that differ in unit, decimals or kind
// of value are never compared within one run.
type settling struct {
	rule Settled
	d    Quantity

	form   form       // of the frames now compared
	limits limits     // the rule's multiples of d, in the last printed digit of that form
	run    []agreeing // consecutive frames that agree, oldest first
	last   *big.Rat   // last recorded value, in the unit of d
	armed  bool       // the last recorded load has left
	moved  bool       // something was sent to the balance since: the load counts as gone once the display moves at all
}

// form is what two readings must share so that their digits can be compared as whole numbers.
type form struct {
	unit  unit.Unit
	scale int
	kind  layout.Kind
}

// limits are the bands of the rule as whole numbers of the last printed digit, rounded so that whole-number comparison
// decides exactly as the exact fraction would.
type limits struct {
	within    int64 // two values agree when they differ by at most this
	zero      int64 // a value is near zero when its size is at most this
	low, high int64 // the recorded load has left at or below low, and at or above high
}

// agreeing is one frame of a run, or several merged where the stream is very fast.
type agreeing struct {
	first, last time.Time
	low, high   int64
	frames      int
	stable      bool
}

func newSettling(rule Settled, d Quantity) *settling {
	return &settling{rule: rule, d: d, armed: true}
}

// feed takes the next frame of the balance and says whether it is to be recorded.
func (s *settling) feed(r *layout.Reading, at time.Time) bool {
	if r.Range != layout.InRange {
		s.armed = true // a load that cannot be shown is not the load that was recorded
		s.breakRun()
		return false
	}
	if isTare(r.Kind) {
		return false // says nothing of the load on the pan
	}
	if !isMass(r) {
		s.breakRun()
		return false
	}
	if f := (form{r.Unit, r.Number.Scale(), r.Kind}); f != s.form {
		s.form = f
		s.breakRun()
		s.refit()
	}
	v := r.Number.Coefficient()
	if !s.armed && (v <= s.limits.low || v >= s.limits.high) {
		s.armed = true
	}
	if r.Stability == layout.Unstable {
		s.breakRun()
		return false
	}
	s.extend(agreeing{first: at, last: at, low: v, high: v, frames: 1, stable: r.Stability == layout.Stable})
	if !s.armed || !s.atRest() || v <= s.limits.zero && v >= -s.limits.zero {
		return false
	}
	s.armed, s.moved = false, false
	s.last = unit.Convert(r.Number, r.Unit, s.d.Unit)
	s.refit()
	return true
}

// lies takes what lies on the pan for something else, such as a check: it is not recorded, as little as a load that was, until it has left.
func (s *settling) lies(r *layout.Reading) {
	if r.Range != layout.InRange || isTare(r.Kind) || !isMass(r) {
		return
	}
	s.breakRun()
	s.form = form{r.Unit, r.Number.Scale(), r.Kind}
	s.armed, s.moved = false, false
	s.last = unit.Convert(r.Number, r.Unit, s.d.Unit)
	s.refit()
}

// breakRun begins a new run: after a lost port, and wherever frames cannot be compared.
func (s *settling) breakRun() { s.run = s.run[:0] }

// disturb says that something was sent to the balance that may change what it shows without any change of the load, such as
// tare. Frames before and after are never one run, and the recorded load counts as gone as soon as the display leaves it by
// more than the band in which frames agree: a tare of less than apart_d would else hide the next load. A load that the
// display goes on showing is not recorded again.
func (s *settling) disturb() {
	s.breakRun()
	s.moved = true
	if s.last != nil {
		s.refit()
	}
}

// extend adds one frame and lets go of the oldest ones: those that disagree with it or with each other, and those that
// the rule no longer needs.
func (s *settling) extend(a agreeing) {
	if len(s.run) == maxRun {
		s.run = halve(s.run)
	}
	s.run = append(s.run, a)
	low, high, from := a.low, a.high, len(s.run)-1
	for from > 0 {
		low, high = min(low, s.run[from-1].low), max(high, s.run[from-1].high)
		if wide(low, high, s.limits.within) {
			break
		}
		from--
	}
	for from+1 < len(s.run) && s.enough(s.run[from+1:], max(s.rule.Frames, s.rule.StableFrames)) {
		from++
	}
	s.run = s.run[:copy(s.run, s.run[from:])]
}

// wide says whether high-low is more than band, also where the difference leaves 64 bits.
func wide(low, high, band int64) bool {
	gap := uint64(high) - uint64(low)
	return gap > uint64(band)
}

// atRest says whether the run is long enough, in frames and in time.
func (s *settling) atRest() bool {
	if s.enough(s.run, s.rule.Frames) {
		return true
	}
	from := len(s.run)
	for from > 0 && s.run[from-1].stable {
		from--
	}
	return s.enough(s.run[from:], s.rule.StableFrames)
}

func (s *settling) enough(run []agreeing, frames int) bool {
	if len(run) == 0 || run[len(run)-1].last.Sub(run[0].first) < time.Duration(s.rule.For) {
		return false
	}
	n := 0
	for _, a := range run {
		if n += a.frames; n >= frames {
			return true
		}
	}
	return false
}

// halve merges neighbours, so that a run of any length fits. A merged pair leaves the run together: that can only make
// a run shorter than it was.
func halve(run []agreeing) []agreeing {
	n := 0
	for i := 0; i+1 < len(run); i += 2 {
		a, b := run[i], run[i+1]
		run[n] = agreeing{
			first: a.first, last: b.last, low: min(a.low, b.low), high: max(a.high, b.high),
			frames: a.frames + b.frames, stable: a.stable && b.stable,
		}
		n++
	}
	if len(run)%2 == 1 {
		run[n] = run[len(run)-1]
		n++
	}
	return run[:n]
}

// refit computes the limits for the present form. Units are converted exactly.
func (s *settling) refit() {
	d := unit.Convert(s.d.Number, s.d.Unit, s.form.unit)
	multiple := func(n int) *big.Rat { return new(big.Rat).Mul(d, new(big.Rat).SetInt64(int64(n))) }
	s.limits.within = digitsDown(multiple(s.rule.WithinD), s.form.scale)
	s.limits.zero = digitsDown(multiple(s.rule.ZeroD), s.form.scale)
	if s.last == nil {
		return
	}
	// The last value over d is a pure number, and so is the same in every unit.
	last := new(big.Rat).Quo(s.last, s.d.Number.Rat())
	last.Mul(last, d)
	apart := s.rule.ApartD
	if s.moved {
		apart = s.rule.WithinD + 1 // which is not more
	}
	s.limits.low = digitsDown(new(big.Rat).Sub(last, multiple(apart)), s.form.scale)
	s.limits.high = digitsUp(new(big.Rat).Add(last, multiple(apart)), s.form.scale)
}

// digitsDown is the largest whole number of last digits, of that many decimals, that is not above r.
func digitsDown(r *big.Rat, decimals int) int64 {
	scaled := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(decimals)), nil)
	scaled.Mul(scaled, r.Num())
	return clamp(scaled.Div(scaled, r.Denom())) // Euclidean division rounds down, as Denom is positive
}

// digitsUp is the smallest whole number of last digits that is not below r.
func digitsUp(r *big.Rat, decimals int) int64 {
	down := digitsDown(new(big.Rat).Neg(r), decimals)
	if down == minInt64 {
		return maxInt64
	}
	return -down
}

const (
	maxInt64 = 1<<63 - 1
	minInt64 = -1 << 63
)

// clamp keeps a limit that no printed value can reach within 64 bits.
func clamp(n *big.Int) int64 {
	switch {
	case n.IsInt64():
		return n.Int64()
	case n.Sign() > 0:
		return maxInt64
	}
	return minInt64
}
