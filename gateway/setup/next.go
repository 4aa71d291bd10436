package setup

import (
	"cmp"
	"slices"
)

// sure is from which confidence on the search is over.
const sure = 0.9

// next says at which setting to listen for the next print, and whether that is worth it: it is not when the search is over.
//
// The first is the usual one, 9600 8N1: eight bits without parity show each character of ten bits whole, whatever its parity.
// After that the balance is listened to at the speed that explains best what came, and once that was heard and is no text,
// with the framing that does. What came at a wrong speed tells the right one if the receiver is faster: each bit of the
// balance is then several of the receiver's. So where nothing came, or next to nothing, the fastest is next.
func (s *search) next(tried []Setting) (Setting, bool) {
	if len(tried) == 0 {
		return UsualSetting(), true
	}
	if len(s.heard) == 0 {
		return s.untried(tried)
	}
	list := s.candidates()
	if list[0].Confidence >= sure {
		return Setting{}, false
	}
	if at := (Setting{Speed: list[0].Speed}).framed("8N1"); list[0].cut && count(tried, at) < 2 {
		return at, true
	}
	if at := tried[len(tried)-1]; list[0].again() && reads(list[0].Setting, at, false, false) && count(tried, at) < 2 {
		return at, true
	}
	slices.SortStableFunc(list, func(a, b Candidate) int { return cmp.Compare(b.chance, a.chance) })
	if list[0].chance < clearly && s.faster(list, tried) > 0.5 {
		if at := (Setting{Speed: fastest}).framed("8N1"); !slices.Contains(tried, at) {
			return at, true
		}
	}
	for i, c := range list {
		for _, at := range []Setting{Setting{Speed: c.Speed}.framed("8N1"), c.Setting} {
			if !slices.Contains(tried, at) {
				return at, true
			}
			if i == 0 && at == c.Setting && count(tried, at) < 2 { // what was heard of it may have been half a print
				return at, true
			}
		}
	}
	return s.untried(tried)
}

// again says whether a candidate wants another print, heard as the last was: there was not enough of it, or its beginning was
// cut off.
func (c Candidate) again() bool {
	half := c.Bytes[len(c.Bytes)/2:]
	return len(half) > 0 && !strange(half) && (c.chance >= sure || c.chance >= sure/2 && strange(c.Bytes))
}

// clearly is from which chance on the next try is at the likeliest speed.
const clearly = 0.8

// faster is the chance that the balance is faster than any speed that was tried.
func (s *search) faster(list []Candidate, tried []Setting) (chance float64) {
	top := 0
	for _, t := range tried {
		top = max(top, t.Speed)
	}
	for _, c := range list {
		if c.Speed > top {
			chance += c.chance
		}
	}
	return chance
}

// fastest hears something of every slower balance.
const fastest = 115200

func (s *search) untried(tried []Setting) (Setting, bool) {
	speeds := []int{fastest}
	for _, u := range usual {
		speeds = append(speeds, u.speed)
	}
	for _, speed := range speeds {
		at := Setting{Speed: speed}.framed("8N1")
		if !slices.Contains(tried, at) {
			return at, true
		}
	}
	return Setting{}, false
}

func count(list []Setting, s Setting) (n int) {
	for _, other := range list {
		if other == s {
			n++
		}
	}
	return n
}

// unasked is the next setting at which a balance may understand a poll, the likeliest first.
func (s *search) unasked(tried []Setting) (Setting, bool) {
	var best *hypothesis
	for i := range s.hyps {
		h := &s.hyps[i]
		if h.simple() == h.Setting && !slices.Contains(tried, h.Setting) && (best == nil || h.prior > best.prior) {
			best = h
		}
	}
	if best == nil {
		return Setting{}, false
	}
	return best.Setting, true
}
