package learn

// evidence is what consecutive weights say about two states of a line.
type evidence struct {
	stable, unstable string // the states' names, "" where the weights decide nothing
}

// movement looks at consecutive frames whose state is the same: in the one state the weight stays, in the other it moves. It
// takes two steps at least of each. A step of at most two last digits is no movement: that is the noise of a settled weight.
func (p *plan) movement(state func(line int) string) evidence {
	still, moved := map[string]int{}, map[string]int{}
	w := &p.g.slots[p.weight]
	for k := 1; k < len(p.g.lines); k++ {
		s := state(k)
		if p.g.index[k] != p.g.index[k-1]+1 || s != state(k-1) {
			continue
		}
		a, ok1 := p.style.read(p.g.value(w, k-1))
		b, ok2 := p.style.read(p.g.value(w, k))
		if !ok1 || !ok2 || a.Scale() != b.Scale() {
			continue
		}
		if d := a.Coefficient() - b.Coefficient(); d >= -2 && d <= 2 {
			still[s]++
		} else {
			moved[s]++
		}
	}
	var ev evidence
	for s := range union(still, moved) {
		switch {
		case still[s] >= 2 && moved[s]*5 <= still[s]:
			if ev.stable != "" {
				return evidence{}
			}
			ev.stable = s
		case moved[s] >= 2 && still[s]*3 <= moved[s]:
			if ev.unstable != "" {
				return evidence{}
			}
			ev.unstable = s
		}
	}
	if ev.stable == "" || ev.unstable == "" {
		return evidence{}
	}
	return ev
}

func union(a, b map[string]int) map[string]bool {
	all := map[string]bool{}
	for k := range a {
		all[k] = true
	}
	for k := range b {
		all[k] = true
	}
	return all
}
