package clock

import (
	"cmp"
	"slices"
	"time"
)

// interval is where the true offset lies according to one server, or to several: nanoseconds between UTC and the raw clock.
type interval struct{ low, high int64 }

func (i interval) covers(o interval) bool { return i.low <= o.low && o.high <= i.high }

// agreement is what a majority says.
type agreement struct {
	most  interval      // the lowest of the intervals that most servers cover
	count int           // how many cover it
	mid   int64         // its midpoint
	half  time.Duration // how far from mid the true offset may be as long as a minority lies
}

// edge is one end of an interval. At the same value a lower end comes first, so that intervals that touch meet.
type edge struct {
	at   int64
	step int // +1 at a lower end, -1 at an upper one
}

func edges(all []interval) []edge {
	list := make([]edge, 0, 2*len(all))
	for _, i := range all {
		list = append(list, edge{i.low, +1}, edge{i.high, -1})
	}
	slices.SortFunc(list, func(x, y edge) int { return cmp.Or(cmp.Compare(x.at, y.at), cmp.Compare(y.step, x.step)) })
	return list
}

// mostAgreed gives the first interval that is covered by most of them, and by how many (Marzullo's rule).
func mostAgreed(all []interval) (best interval, count int) {
	covering, list := 0, edges(all)
	for i, e := range list {
		if covering += e.step; covering > count {
			count, best = covering, interval{e.at, list[i+1].at} // after a new highest count the next edge is an upper end
		}
	}
	return best, count
}

// reach gives the outermost points that at least so many of the intervals cover.
func reach(all []interval, least int) (outer interval, ok bool) {
	covering := 0
	for _, e := range edges(all) {
		before := covering
		covering += e.step
		if !ok && covering >= least {
			outer.low, ok = e.at, true
		}
		if before >= least && covering < least {
			outer.high = e.at
		}
	}
	return outer, ok
}

// liars is how many of n servers may be wrong: fewer than half.
func liars(n int) int { return (n - 1) / 2 }

// agree says what the servers agree on, given how many are configured and the intervals of those that gave a usable answer;
// false if they do not agree, or are too few. See the package comment for the rule and for why the bound is wider than the
// agreed interval.
func agree(configured int, answered []interval) (agreement, bool) {
	n, f := len(answered), liars(configured)
	if n <= f || n < min(configured, 2) {
		return agreement{}, false
	}
	most, count := mostAgreed(answered)
	if 2*count <= n {
		return agreement{}, false
	}
	outer, ok := reach(answered, n-f)
	if !ok {
		return agreement{}, false // more than f are wrong
	}
	mid := most.low + (most.high-most.low)/2
	return agreement{most: most, count: count, mid: mid, half: time.Duration(max(mid-outer.low, outer.high-mid))}, true
}
