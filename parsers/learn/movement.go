package learn

// evidence is what consecutive weights say about two states of a line.
type evidence struct {
	stable, unstable string // the states' names, "" where the weights decide nothing
}

// track is what the lines of one state show.
type track struct {
	lines   int
	still   int // pairs in a row of this state whose weight stays
	same    int // lines whose weight is that of the line before or after
	moved   int // pairs in a row of this state whose weight moves
	between int // runs of this state that lead from the weight before to the weight after
	aside   int // and such that do not
}

// movement looks for a state in which the weight stays and one in which it never does: two pairs in a row at least that stay,
// two lines at least that differ from both neighbours, and more of these on the way from the weight before to the weight
// after than not, as a load that settles is. A step of at most two last digits is no movement: that is the noise of a
// settled weight.
func (p *plan) movement(state func(line int) string) evidence {
	tracks := p.tracks(state)
	var ev evidence
	for s, t := range tracks {
		switch {
		case t.still >= 2 && t.moved <= 3*t.still:
			if ev.stable != "" {
				return evidence{}
			}
			ev.stable = s
		case t.lines >= 2 && t.same == 0 && t.between > t.aside:
			if ev.unstable != "" {
				return evidence{}
			}
			ev.unstable = s
		default:
			if t.lines*4 > len(p.g.lines) {
				return evidence{}
			}
		}
	}
	if ev.stable == "" || ev.unstable == "" {
		return evidence{}
	}
	return ev
}

func (p *plan) tracks(state func(line int) string) map[string]*track {
	tracks := map[string]*track{}
	values := make([]int64, len(p.g.lines))
	fine := make([]bool, len(p.g.lines))
	for k := range p.g.lines {
		if tracks[state(k)] == nil {
			tracks[state(k)] = &track{}
		}
		d, ok := p.style.read(p.g.value(&p.g.slots[p.weight], k))
		values[k], fine[k] = scaled(d.Coefficient(), d.Scale()), ok
		tracks[state(k)].lines++
	}
	step := scaled(1, 0)
	if n := len(p.style.scales); n > 0 {
		step = scaled(1, p.style.scales[n-1])
	}
	for k := 1; k < len(values); k++ {
		if p.g.index[k] != p.g.index[k-1]+1 || !fine[k] || !fine[k-1] {
			continue
		}
		a, b, d := tracks[state(k-1)], tracks[state(k)], values[k]-values[k-1]
		if d == 0 {
			a.same++
			b.same++
		}
		switch {
		case a != b:
		case d <= 2*step && d >= -2*step:
			a.still++
		default:
			a.moved++
		}
	}
	p.ways(state, values, tracks)
	return tracks
}

// scaled gives a number in units of 10^-7, enough to compare weights of one balance.
func scaled(n int64, scale int) int64 {
	for ; scale < 7 && n < 1<<58 && n > -1<<58; scale++ {
		n *= 10
	}
	return n
}

// ways counts the runs of one state that lie between the weights around them.
func (p *plan) ways(state func(line int) string, values []int64, tracks map[string]*track) {
	for k := 0; k < len(values); {
		j := k
		for j < len(values) && state(j) == state(k) {
			j++
		}
		t := tracks[state(k)]
		if k > 0 && j < len(values) {
			lo, hi := min(values[k-1], values[j]), max(values[k-1], values[j])
			inside := true
			for i := k; i < j; i++ {
				inside = inside && values[i] >= lo && values[i] <= hi
			}
			if inside {
				t.between++
			} else {
				t.aside++
			}
		} else if j-k >= 2 {
			t.between++ // at an end of the sample there is one neighbour: a run that moves speaks for itself
		}
		k = j
	}
}
