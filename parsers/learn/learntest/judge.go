package learntest

import (
	"regexp"
	"strings"
	"time"

	"weighpost/parsers/layout"
)

// checkLikeAnEnd is the feature of a frame whose raw check bytes look like something that ends or begins frames.
const checkLikeAnEnd = "a check that looks like an end"

// judge works out what the sample can tell, and which later frames show something that it does not.
func (b *Balance) judge(g *design) {
	sample := b.Frames[:b.Sampled]
	b.Tells = g.tells
	b.Tells.Range = g.beyond.known
	// Of a status character with four values, ten lines show too little of each.
	b.Tells.Stability = g.tells.Stability || stabilityShows(sample) && len(g.status) <= 2
	b.Tells.DateOrder = g.dates.tells(daysOf(sample))
	if g.unit.whenStable && !b.Tells.Stability {
		g.features(b.Frames, "no unit", "a weight without unit, and nothing says what that means")
	}
	b.Needs |= decimalNeed(g, sample)
	seen := map[string]bool{}
	for _, f := range sample {
		for _, name := range f.features {
			seen[name] = true
		}
	}
	for i := range b.Frames {
		f := &b.Frames[i]
		for _, name := range f.features {
			if seen[name] && name != checkLikeAnEnd {
				continue
			}
			f.May = true
			if i+1 < len(b.Frames) && (name == checkLikeAnEnd || strings.HasPrefix(name, "terminator")) {
				b.Frames[i+1].May = true // an end that was missed takes the next frame along
			}
		}
		f.May = f.May || b.Cannot != ""
		f.openMeanings(b.Tells, g)
	}
}

// features marks frames that have one feature as refusable, by a feature that no sample has.
func (g *design) features(frames []Frame, have, add string) {
	for i := range frames {
		for _, name := range frames[i].features {
			if name == have {
				frames[i].May = true
			}
		}
	}
	g.trait(add)
}

// openMeanings says what nobody can demand of this frame: a kind or a stability that is a blank.
func (f *Frame) openMeanings(t Tells, g *design) {
	f.OpenKind = !t.Kind || g.words.of(f.Truth.Kind) == "" && g.labels == labelSet{}
	f.OpenStability = !t.Stability
}

func daysOf(frames []Frame) (days []time.Time) {
	for _, f := range frames {
		if t, err := time.Parse(time.DateOnly, f.Truth.Date); err == nil {
			days = append(days, t)
		}
	}
	return days
}

// stabilityShows says whether marks stand beside loads that move and loads that rest so often that chance is a poor
// explanation. A print lies still if one beside it shows the same value. No print that is marked as moving may lie still,
// two or more must be marked so, what lies still must do so at two values or more (a tare that is printed again and again
// is one), and if as many marks had fallen on prints at random, all of them would have missed those that lie still no more
// than once in a hundred times. With twenty, marks for gross and net were met that look like this.
func stabilityShows(sample []Frame) bool {
	var prints []Frame
	for _, f := range sample {
		if f.Sort == Weight {
			prints = append(prints, f)
		}
	}
	moving, changing, rests := 0, 0, map[string]bool{}
	for i, f := range prints {
		still := i > 0 && prints[i-1].Truth.Digits == f.Truth.Digits || i+1 < len(prints) && prints[i+1].Truth.Digits == f.Truth.Digits
		if still {
			rests[f.Truth.Digits] = true
		} else {
			changing++
		}
		switch {
		case f.Truth.Stability == layout.StabilityUnknown:
			return false
		case f.Truth.Stability == layout.Unstable && still:
			return false
		case f.Truth.Stability == layout.Unstable:
			moving++
		}
	}
	chance := 1.0
	for k := range moving {
		chance *= float64(changing-k) / float64(len(prints)-k)
	}
	return moving >= 2 && len(rests) >= 2 && chance <= 0.01
}

var maybeGroups = regexp.MustCompile(`^[-+]? *[1-9][0-9]{0,2}[.,][0-9]{3}[-+]?$`)

// decimalNeed says whether all numbers of the sample could as well be whole thousands. Three decimals behind a point are
// taken for decimals by everybody; behind a comma they are not, and digits grouped by a point could be decimals.
func decimalNeed(g *design, sample []Frame) Need {
	n := g.number
	grouped := n.group == "." || n.group == ","
	if !n.comma && !grouped {
		return 0
	}
	doubtful := 0
	for _, f := range sample {
		if f.Sort != Weight {
			continue
		}
		if !maybeGroups.MatchString(strings.TrimSpace(f.printed)) {
			return 0
		}
		doubtful++
	}
	if doubtful == 0 {
		return 0
	}
	return NeedDecimal
}
