package learn

// evidence is what consecutive weights say about two states of a line.
type evidence struct {
	stable, unstable string // the states' names, "" where the weights decide nothing
}

// mostChance is how likely chance may be to make the same picture of marks that have nothing to do with the stability. Marks
// for the kind of weight are the danger: they stay while one load is printed several times, as a mark for stable does.
const mostChance = 0.008

// mostChancePrints is mostChance for single prints, which are no witnesses by themselves: several show one load.
const mostChancePrints = 0.01

// mostChanceWords is mostChance for words of three letters and more, which name kinds of weight more often than marks do.
const mostChanceWords = 0.002

// movement looks for a state in which the weight stays and one in which it never does. It counts pairs of lines in a row of
// the same state, and how each run of the moving state leads to the weight behind it; and it takes the picture for evidence
// where chance hardly ever makes it.
func (p *plan) movement(state func(line int) string) evidence {
	runs := p.runs(state)
	names := map[string]int{}
	for _, r := range runs {
		names[r.state] += len(r.values)
	}
	// With three marks and more there are more pairs of which one may look like this by chance.
	pairs := float64(len(names)*(len(names)-1)) / 2
	best, ev, step := mostChance/max(pairs, 1), evidence{}, p.step(runs)
	for _, a := range sorted(names) {
		for _, b := range sorted(names) {
			if a == b || len(names) > 2 && drawn(runs, b, step) > mostChancePrints || (names[a]+names[b])*4 < len(p.g.lines)*3 {
				continue
			}
			c := chance(runs, a, b, step)
			if letters(a) > 2 && letters(b) > 2 {
				c *= mostChance / mostChanceWords
			}
			if c < best {
				best, ev = c, evidence{stable: a, unstable: b}
			}
		}
	}
	return ev
}

// run is lines in a row of one state.
type run struct {
	state  string
	values []int64
	joined bool // the frame before the first belongs to the run before
}

// runs cuts the lines into runs.
func (p *plan) runs(state func(line int) string) (all []run) {
	for k := range p.g.lines {
		d, ok := p.style.read(p.g.value(&p.g.slots[p.weight], k))
		if !ok {
			continue
		}
		v, s := scaled(d.Coefficient(), d.Scale()), state(k)
		next := k > 0 // what stands between lines of a grid is no weight
		if last := len(all) - 1; last >= 0 && next && all[last].state == s {
			all[last].values = append(all[last].values, v)
		} else {
			all = append(all, run{s, []int64{v}, next})
		}
	}
	return all
}

// step is the noise of a settled weight: two last digits, or the step in which the balance counts, where the weights show
// that it is larger. It is in the unit of scaled.
func (p *plan) step(runs []run) int64 {
	digit := scaled(1, 0)
	if n := len(p.style.scales); n > 0 {
		digit = scaled(1, p.style.scales[n-1])
	}
	seen := map[int64]bool{}
	var d int64
	for _, r := range runs {
		for _, v := range r.values {
			seen[v] = true
			d = divisor(d, max(v, -v))
		}
	}
	if len(seen) >= 4 && d > 2*digit && d <= 50*digit {
		return d
	}
	return 2 * digit
}

// divisor is the greatest common divisor.
func divisor(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// scaled gives a number in units of 10^-7, enough to compare weights of one balance.
func scaled(n int64, scale int) int64 {
	for ; scale < 7 && n < 1<<58 && n > -1<<58; scale++ {
		n *= 10
	}
	return n
}

// chance is how likely marks without any meaning would make the picture that a is stable and b is not; 1 where the picture is
// another. Lines of one state whose weight stays are one load; a step of at most step is the noise of a settled weight. Three things count: that loads printed more than once are all of a, that each run of b leads to the weight behind
// it, and that the mark changes with every load.
func chance(runs []run, a, b string, step int64) float64 {
	var still, loadsA, loadsB, repeated, linesB, runsA, movedA, prints, quiet int
	p, inOrder := 1.0, true
	if returns(runs, b) || oneLoad(runs, a, step) {
		return 1
	}
	for i, r := range runs {
		if r.state != a && r.state != b {
			continue
		}
		loads, again, pairs := r.loads(step)
		prints += len(r.values)
		if r.state == a {
			runsA++
			still, loadsA, repeated, movedA = still+pairs, loadsA+loads, repeated+again, movedA+loads-1
			quiet += pairs + again
			continue
		}
		linesB, loadsB = linesB+len(r.values), loadsB+loads
		if repeats(runs, i) || again > 0 && !ordered(r.values) {
			return 1
		}
		w := way(runs, i)
		p, inOrder = p*w, inOrder && w <= 1
	}
	if still < 2 || repeated < 2 || linesB < 2 || movedA > 2*still {
		return 1
	}
	if movedA == 0 {
		for range runsA - 1 {
			p /= 2 // each time the mark would have had to change with the load
		}
	}
	if movedA == 0 && repeated == loadsA {
		p *= likely(repeated, loadsB) // each run of a is one load that rests: no load settles within it
	} else {
		p *= none(loadsA, loadsB, repeated)
	}
	// Where each run of b leads somewhere, print by print: of all prints those of b are drawn outside of the quiet ones.
	if q := none(prints-quiet, quiet, linesB); inOrder && movedA == 0 && q <= mostChancePrints && letters(a) < 3 {
		p = min(p, mostChance/2)
	}
	return p
}

// drawn is how likely, of all prints, those of b would all be drawn from those that do not lie still. Where three marks take
// turns, those of a kind do so more often than those of the stability.
func drawn(runs []run, b string, step int64) float64 {
	var all []int64
	var states []string
	for _, r := range runs {
		for _, v := range r.values {
			all, states = append(all, v), append(states, r.state)
		}
	}
	still, ofB := 0, 0
	near := func(i, k int) bool { return k >= 0 && k < len(all) && max(all[i]-all[k], all[k]-all[i]) <= step }
	for i := range all {
		if near(i, i-1) || near(i, i+1) {
			still++
		}
		if states[i] == b {
			ofB++
		}
	}
	return none(len(all)-still, still, ofB)
}

// likely is how likely, at best, all of a's loads are repeated and none of b's where repeating has nothing to do with the mark.
func likely(a, b int) float64 {
	r := float64(a) / float64(a+b)
	p := 1.0
	for range a {
		p *= r
	}
	for range b {
		p *= 1 - r
	}
	return p
}

// returns says that two runs of a state hold the very same weight: one that moves does not come back to the last digit.
func returns(runs []run, b string) bool {
	seen := map[int64]bool{}
	for _, r := range runs {
		if r.state != b {
			continue
		}
		own := map[int64]bool{}
		for _, v := range r.values {
			if seen[v] {
				return true
			}
			own[v] = true
		}
		for v := range own {
			seen[v] = true
		}
	}
	return false
}

// oneLoad says that all lines of a state show one load: a tare that is printed again and again does so, whatever moves beside
// it.
func oneLoad(runs []run, a string, step int64) bool {
	var first *int64
	for _, r := range runs {
		if r.state != a {
			continue
		}
		for _, v := range r.values {
			if first == nil {
				first = &v
			}
			if d := v - *first; d > step || d < -step {
				return false
			}
		}
	}
	return true
}

// loads counts the loads of a run, those printed more than once, and the pairs in a row whose weight stays.
func (r run) loads(step int64) (loads, again, pairs int) {
	loads = 1
	fresh := true
	for k := 1; k < len(r.values); k++ {
		if d := r.values[k] - r.values[k-1]; d > step || d < -step {
			loads, fresh = loads+1, true
			continue
		}
		if pairs++; fresh {
			again, fresh = again+1, false
		}
	}
	return loads, again, pairs
}

// none is the chance that of the loads that are repeated, drawn from all, not one is of b.
func none(loadsA, loadsB, repeated int) float64 {
	p := 1.0
	for k := range repeated {
		p *= float64(loadsA-k) / float64(loadsA+loadsB-k)
	}
	return p
}

// repeats says that a weight of run i is that of the line before or after it.
func repeats(runs []run, i int) bool {
	v := runs[i].values
	for k := 1; k < len(v); k++ {
		if v[k] == v[k-1] {
			return true
		}
	}
	if i > 0 && runs[i].joined && runs[i-1].values[len(runs[i-1].values)-1] == v[0] {
		return true
	}
	return i+1 < len(runs) && runs[i+1].joined && runs[i+1].values[0] == v[len(v)-1]
}

// way is how likely chance puts the weights of run i in order on the way to the weight behind it, as a load that settles
// does: n values are in one of the two orders in two cases of n factorial. It is above 1 where they are not in order.
func way(runs []run, i int) float64 {
	v := runs[i].values
	if i+1 >= len(runs) || !runs[i+1].joined {
		if i > 0 && runs[i].joined {
			before := runs[i-1].values
			if whole := append([]int64{before[len(before)-1]}, v...); ordered(whole) {
				return orders(len(whole))
			}
		}
		return 1
	}
	after := runs[i+1].values[0]
	whole := append(append([]int64{}, v...), after)
	if !ordered(whole) {
		return 3
	}
	if i > 0 && runs[i].joined {
		before := runs[i-1].values
		if longer := append([]int64{before[len(before)-1]}, whole...); ordered(longer) {
			return orders(len(longer))
		}
	}
	return orders(len(whole))
}

// ordered says that values only rise or only fall.
func ordered(v []int64) bool {
	up, down := true, true
	for k := 1; k < len(v); k++ {
		up, down = up && v[k] > v[k-1], down && v[k] < v[k-1]
	}
	return up || down
}

// orders is two divided by n factorial, and a third at least: loads settle in order whatever a mark means.
func orders(n int) float64 {
	if n < 3 {
		return 1
	}
	return 1.0 / 3
}
