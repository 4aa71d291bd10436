package intake

import (
	"fmt"
	"time"

	"weighpost/parsers/strict"
)

// The kinds of capture rule.
const (
	Printed  = "printed" // each frame that the balance sends on its print key
	Settling = "settled" // once, when a load has come to rest
	Periodic = "every"   // the latest reading of each period
	All      = "all"     // each reading
)

// Rule decides what of a balance's stream is recorded. In a file it is a word (printed, settled, all) or a mapping
// (every: 5s, or settled: with numbers of its own). The zero value is printed.
type Rule struct {
	Kind    string          // "" is Printed
	Every   strict.Duration // the period of Periodic
	Settled Settled
}

// Settled says when a load has come to rest. D stands for the balance's readability d.
type Settled struct {
	Frames       int             `yaml:"frames" desc:"How many consecutive frames must agree; 2 to 100." default:"3"`
	StableFrames int             `yaml:"stable_frames" desc:"How many are enough where the balance flags them as stable; 1 to 100." default:"2"`
	WithinD      int             `yaml:"within_d" desc:"How far apart the frames may be, in multiples of the readability; 0 to 1000." default:"1"`
	For          strict.Duration `yaml:"for" desc:"How long the frames must agree; 0s to 1m." default:"500ms"`
	ZeroD        int             `yaml:"zero_d" desc:"What is no load, in multiples of the readability on both sides of zero; 0 to 1000000." default:"5"`
	ApartD       int             `yaml:"apart_d" desc:"How far the weight must go from the last recorded one before the next is recorded, in multiples of the readability; 1 to 1000000." default:"10"`
}

// DefaultSettled is what the rule settled means where nothing else is written.
var DefaultSettled = Settled{
	Frames: 3, StableFrames: 2, WithinD: 1, For: strict.Duration(500 * time.Millisecond), ZeroD: 5, ApartD: 10,
}

const ruleAllowed = "printed, settled, all, or a mapping with one of the keys every (a period, such as 5s) and settled"

// UnmarshalNode reads the rule from a file.
func (r *Rule) UnmarshalNode(n strict.Node) strict.Faults {
	if word, ok := n.Text(); ok {
		switch word {
		case Printed, All:
			*r = Rule{Kind: word}
		case Settling:
			*r = Rule{Kind: word, Settled: DefaultSettled}
		case Periodic:
			return n.Fault("every needs a period", "every: 5s, on a line of its own below record:")
		default:
			return n.Fault(fmt.Sprintf("%q is no rule for what is recorded", word), ruleAllowed)
		}
		return nil
	}
	unwritten := DefaultSettled
	written := struct {
		Every   *strict.Duration `yaml:"every"`
		Settled *Settled         `yaml:"settled"`
	}{Settled: &unwritten}
	if faults := n.Load(&written); faults != nil {
		return faults
	}
	settled := written.Settled != &unwritten // a key that is written gets a struct of its own, filled from this one
	switch {
	case settled == (written.Every != nil):
		return n.Fault("names not exactly one rule for what is recorded", ruleAllowed)
	case settled:
		*r = Rule{Kind: Settling, Settled: *written.Settled}
	default:
		*r = Rule{Kind: Periodic, Every: *written.Every}
	}
	return nil
}

// String is the rule as records name it: printed, settled, every 5s, all.
func (r Rule) String() string {
	switch r.Kind {
	case "":
		return Printed
	case Periodic:
		return "every " + time.Duration(r.Every).String()
	}
	return r.Kind
}

// check adds what is wrong with the rule of a balance of readability d.
func (r Rule) check(report *strict.Report, d Quantity) {
	switch r.Kind {
	case "", Printed, All:
	case Periodic:
		if e := time.Duration(r.Every); e < 100*time.Millisecond || e > 24*time.Hour {
			report.At("every").Fault(fmt.Sprintf("%s is no usable period", e), "100ms to 24h")
		}
	case Settling:
		if d.IsZero() {
			report.Fault("the rule settled counts in multiples of the balance's readability, and no readability is given",
				`readability: "0.0001 g" beside it, as the balance's plate says`)
		}
		r.Settled.check(report.At("settled"))
	default:
		report.Fault(fmt.Sprintf("%q is no rule for what is recorded", r.Kind), ruleAllowed)
	}
}

func (s Settled) check(r *strict.Report) {
	between := func(key string, n, least, most int) {
		if n < least || n > most {
			r.At(key).Fault(fmt.Sprintf("%d is out of range", n), fmt.Sprintf("%d to %d", least, most))
		}
	}
	between("frames", s.Frames, 2, 100)
	between("stable_frames", s.StableFrames, 1, 100)
	between("within_d", s.WithinD, 0, 1000)
	between("zero_d", s.ZeroD, 0, 1_000_000)
	between("apart_d", s.ApartD, 1, 1_000_000)
	if s.For < 0 || time.Duration(s.For) > time.Minute {
		r.At("for").Fault(fmt.Sprintf("%s is out of range", s.For), "0s to 1m")
	}
	if s.ApartD <= s.WithinD {
		r.At("apart_d").Fault(fmt.Sprintf("%d lies within the band in which frames agree, so one load would be recorded again and again", s.ApartD),
			fmt.Sprintf("more than within_d, which is %d", s.WithinD))
	}
}
